"""Protocol, bench and specimen files: found by path or shipped name, read, checked whole."""

from __future__ import annotations

import datetime
import itertools
from pathlib import Path

from rig.record.bench_fault import BadFileError
from rig.record.bench_file import (
    LISTENS_ONLY,
    BenchFile,
    BenchLimits,
    BoardPort,
    Calibration,
    HostPath,
    StrikerFacts,
)
from rig.record.limit_tables import spell_limits
from rig.record.protocol import (
    BuzzStage,
    FlamStage,
    Limit,
    Protocol,
    RollStage,
    SingleStage,
    Stage,
)
from rig.record.specimen import DeclaredCurve, Specimen
from rig.record.toml_file import TomlFile, nearest, read_text
from rig.record.toml_lines import Key

_LEAST_LEVELS = 3
"""Levels that a search takes at the least."""


def load_protocol(path_or_name: Path | str) -> Protocol:
    """Read a protocol file by its path, or by the bare name of one that comes with the program.

    Raises
    ------
    BadFileError
        With every fault of the file: line, key, what was found, what is allowed.
    """
    path = find_file(path_or_name, "")
    return parse_protocol(read_text(path), str(path))


def load_bench(path_or_name: Path | str) -> BenchFile:
    """Read a bench file; else as ``load_protocol``."""
    path = find_file(path_or_name, "benches")
    return parse_bench(read_text(path), str(path))


def load_specimen(path_or_name: Path | str) -> Specimen:
    """Read a specimen file; else as ``load_protocol``."""
    path = find_file(path_or_name, "specimens")
    return parse_specimen(read_text(path), str(path))


def shipped_names(folder: str) -> list[str]:
    """Names of the files that come with the program: protocols (""), benches or specimens."""
    return sorted(path.stem for path in _shipped(folder).glob("*.toml"))


def find_file(path_or_name: Path | str, folder: str) -> Path:
    """Path of a file given by path, or by the bare name of a shipped one.

    A path that exists wins; BadFileError names the shipped files if there is neither.
    """
    path = Path(path_or_name)
    if path.is_file():
        return path
    shipped = _shipped(folder) / f"{path.name}.toml"
    if path.name == str(path_or_name) and shipped.is_file():
        return shipped
    names = shipped_names(folder)
    found = f"no such file{nearest(path.name.removesuffix('.toml'), names)}"
    if path.is_dir():
        found = "a folder"
    elif path.exists():
        found = "no file but a device; a port is named in [board] of a bench file"
    raise BadFileError(
        [
            f"{path}: {found}; the path of a TOML file is asked for, or one of the shipped names: "
            f"{', '.join(names)}"
        ]
    )


def _shipped(folder: str) -> Path:
    # beside the package, in a checkout as in an installation
    return Path(__file__).parents[2] / "protocols" / folder


def parse_protocol(text: str, name: str) -> Protocol:
    """Check and convert the text of a protocol file; ``name`` is what faults call it."""
    file = TomlFile(text, name)
    spell_limits(file)
    file.check(Protocol)
    limits = file.each(("limit",), Limit)
    for key, stage in file.each(("stage",), Stage):
        _check_search(file, key, stage)
        _check_stage(file, key, stage)
    _unique(file, ("stage",), "name")
    names = [str(name) for name in file.values(("stage",), "name").values()]
    for key, stage_name in file.values(("limit",), "stage").items():
        if isinstance(stage_name, str) and stage_name and stage_name not in names:
            file.fault(
                (*key, "stage"), f"no stage is named {stage_name!r}{nearest(stage_name, names)}"
            )
    for key, limit in limits:
        if limit.good is not None:
            _check_good(file, key, limit, limit.good)
    _unique(file, ("margin",), "measure")
    return file.finish(Protocol)


def _check_stage(file: TomlFile, key: Key, stage: Stage) -> None:
    """Note keys of a stage that don't go together."""
    if isinstance(stage, SingleStage):
        _one_of(file, key, forces_n=stage.forces_n or None, widths_us=stage.widths_us or None)
        if stage.interval_spread_ms >= stage.interval_ms:
            file.fault(
                (*key, "interval_spread_ms"),
                f"{stage.interval_spread_ms:g} ms found; it must stay below interval_ms "
                f"({stage.interval_ms:g} ms)",
            )
    elif isinstance(stage, RollStage):
        _one_of(file, key, force_n=stage.force_n, width_us=stage.width_us)
    elif isinstance(stage, BuzzStage):
        for end in ("first", "last"):
            names = (f"{end}_force_n", f"{end}_width_us")
            _one_of(file, key, **{one: getattr(stage, one) for one in names})
        if (stage.first_force_n is None) != (stage.last_force_n is None):
            file.fault(key, "forces at one end and widths at the other; give one kind for both")
    elif isinstance(stage, FlamStage):
        _one_of(file, key, force_n=stage.force_n, width_us=stage.width_us)
        if len(stage.strikers) != 2:
            file.fault(
                (*key, "strikers"),
                f"{len(stage.strikers)} found; a flam takes two: first and second",
            )
        if stage.force_n is None and stage.level_differences_db != (0.0,):
            file.fault(
                (*key, "level_differences_db"),
                "levels need force_n; with width_us give second_width_us instead",
            )


def _check_good(file: TomlFile, key: Key, limit: Limit, good: float) -> None:
    """Note what keeps a share from being decided by a sequential test."""
    if limit.bound != "at_most" or not 0.0 < good < limit.value < 100.0:
        file.fault(
            (*key, "good_percent"),
            f"{good:g} % found; it must lie above 0 and below at_most_percent, and that below 100",
        )
    if not limit.stage:
        file.fault((*key, "good_percent"), "'stage' is missing: it says which strokes end")


def _check_search(file: TomlFile, key: Key, stage: Stage) -> None:
    """Note what keeps a stage with a precision from being searched."""
    if isinstance(stage, SingleStage):
        for name, ladder in (("precision_n", "forces_n"), ("precision_us", "widths_us")):
            if getattr(stage, name) is not None and not getattr(stage, ladder):
                file.fault((*key, name), f"it goes with {ladder}, which is not given")
    if stage.precision is None:
        return
    levels: set[float] = set()
    if isinstance(stage, SingleStage):
        levels = {*stage.forces_n, *stage.widths_us}
        if len(stage.strikers) != 1:
            file.fault((*key, "strikers"), f"{len(stage.strikers)} found; a search takes one")
    elif isinstance(stage, RollStage):
        levels = set(stage.rates_per_s)
    elif isinstance(stage, FlamStage):
        levels = set(stage.gaps_ms)
    if len(levels) < _LEAST_LEVELS:
        file.fault(
            key, f"{len(levels)} levels to search among; at least {_LEAST_LEVELS} are needed"
        )


def parse_bench(text: str, name: str) -> BenchFile:
    """Check and convert the text of a bench file."""
    file = TomlFile(text, name)
    file.check(BenchFile)
    strikers = file.each(("striker",), StrikerFacts)
    _unique(file, ("striker",), "id")
    _unique(file, ("audio", "channel"), "number")
    _unique(file, ("audio", "channel"), "role")
    board = file.sound(("board",), BoardPort)
    listens_only = board is not None and board.port == LISTENS_ONLY
    roles = file.values(("audio", "channel"), "role").values()
    for role in ("sensor",) if listens_only else ("sensor", "marker"):
        if role not in roles:
            file.fault(("audio",), f"no channel has the role {role!r}; nothing can be timed")
    if not (file.content.get("striker") or listens_only):
        file.fault(("striker",), "no [[striker]]; nothing can be struck")
    if board is not None and not (board.serial_number or board.port):
        file.fault(("board",), "neither serial_number nor port is given")
    path = file.sound(("midi", "host_path"), HostPath)
    if path is not None and path.date:
        _check_day(file, ("midi", "host_path"), path.date)
    limits = file.sound(("limits",), BenchLimits)
    if limits is not None and limits.supply_least_v >= limits.supply_most_v:
        file.fault(
            ("limits",),
            f"supply_least_v ({limits.supply_least_v:g} V) must stay below supply_most_v "
            f"({limits.supply_most_v:g} V)",
        )
    for key, striker in strikers:
        if striker.calibration is not None:
            _check_calibration(file, (*key, "calibration"), striker.calibration)
    return file.finish(BenchFile)


def _check_calibration(file: TomlFile, key: Key, table: Calibration) -> None:
    """Note what keeps a calibration from being a rising curve of a known day."""
    lengths = {len(table.widths_us), len(table.forces_n)}
    if table.flights_ms:
        lengths.add(len(table.flights_ms))
    if len(lengths) > 1:
        file.fault(key, "widths_us, forces_n and flights_ms (if given) differ in length")
    _check_day(file, key, table.date)
    for column in ("widths_us", "forces_n"):
        if any(b <= a for a, b in itertools.pairwise(getattr(table, column))):
            file.fault((*key, column), "each entry must be greater than the one before")


def _check_day(file: TomlFile, key: Key, date: str) -> None:
    """Note what is no day."""
    try:
        datetime.date.fromisoformat(date)
    except ValueError:
        file.fault((*key, "date"), f"{date!r} found; a day as YYYY-MM-DD is asked for")


def parse_specimen(text: str, name: str) -> Specimen:
    """Check and convert the text of a specimen file."""
    file = TomlFile(text, name)
    file.check(Specimen)
    _unique(file, ("module", "zone"), "id")
    _unique(file, ("module", "zone"), "note")
    key = ("module", "declared_curve")
    curve = file.sound(key, DeclaredCurve)
    if (
        curve is not None
        and curve.least_force_n is not None
        and curve.most_force_n is not None
        and curve.least_force_n >= curve.most_force_n
    ):
        file.fault((*key, "least_force_n"), "it must stay below most_force_n")
    return file.finish(Specimen)


def _unique(file: TomlFile, tables: tuple[str, ...], field: str) -> None:
    seen: list[object] = []
    for key, value in file.values(tables, field).items():
        if value in seen:
            file.fault((*key, field), f"{value!r} stands more than once; each must differ")
        seen.append(value)


def _one_of(file: TomlFile, key: Key, **choices: object) -> None:
    given = [name for name, value in choices.items() if value is not None]
    if len(given) != 1:
        found = " and ".join(given) if given else "neither"
        file.fault(key, f"{found} found; give one of {' or '.join(choices)}")
