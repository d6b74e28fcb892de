"""Protocol, bench and specimen files: found by path or shipped name, read, checked whole."""

from __future__ import annotations

import datetime
import itertools
from collections import Counter
from collections.abc import Iterable
from pathlib import Path

from rig.record.bench_fault import BadFileError
from rig.record.bench_file import BenchFile
from rig.record.limit_tables import spell_limits
from rig.record.protocol import BuzzStage, FlamStage, Protocol, RollStage, SingleStage, Stage
from rig.record.specimen import Specimen
from rig.record.toml_file import Key, TomlFile, nearest, read_text

LISTENS_ONLY = "none"
"""Port of a bench without a board: one that takes in recordings from outside."""
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
    protocol = file.convert(Protocol)
    _unique(file, "stage", "name", [stage.name for stage in protocol.stages])
    for place, stage in enumerate(protocol.stages):
        key: Key = ("stage", place)
        _check_search(file, key, stage)
        if isinstance(stage, SingleStage):
            _one_of(file, key, forces_n=stage.forces_n or None, widths_us=stage.widths_us or None)
            if stage.interval_spread_ms >= stage.interval_ms:
                file.fault(
                    (*key, "interval_spread_ms"),
                    f"{stage.interval_spread_ms} ms found; it must stay below interval_ms "
                    f"({stage.interval_ms} ms)",
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
    stages = [stage.name for stage in protocol.stages]
    for place, limit in enumerate(protocol.limits):
        if limit.stage and limit.stage not in stages:
            file.fault(
                ("limit", place, "stage"),
                f"no stage is named {limit.stage!r}{nearest(limit.stage, stages)}",
            )
        if limit.good is None:
            continue
        if limit.bound != "at_most" or not 0.0 < limit.good < limit.value < 100.0:
            file.fault(
                ("limit", place, "good_percent"),
                f"{limit.good:g} % found; it must lie above 0 and below at_most_percent, and that "
                "below 100",
            )
        if not limit.stage:
            file.fault(
                ("limit", place, "good_percent"), "'stage' is missing: it says which strokes end"
            )
    _unique(file, "margin", "measure", [margin.measure for margin in protocol.margins])
    file.raise_faults()
    return protocol


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
    bench = file.convert(BenchFile)
    channels = bench.audio.channels
    roles = [channel.role for channel in channels]
    _unique(file, "striker", "id", [striker.id for striker in bench.strikers])
    _unique(file, ("audio", "channel"), "number", [channel.number for channel in channels])
    _unique(file, ("audio", "channel"), "role", roles)
    listens_only = bench.board.port == LISTENS_ONLY
    for role in ("sensor",) if listens_only else ("sensor", "marker"):
        if role not in roles:
            file.fault(("audio",), f"no channel has the role {role!r}; nothing can be timed")
    if not (bench.strikers or listens_only):
        file.fault(("striker",), "no [[striker]]; nothing can be struck")
    if not (bench.board.serial_number or bench.board.port):
        file.fault(("board",), "neither serial_number nor port is given")
    if bench.limits.supply_least_v >= bench.limits.supply_most_v:
        file.fault(("limits",), "supply_least_v must stay below supply_most_v")
    for place, striker in enumerate(bench.strikers):
        table = striker.calibration
        if table is None:
            continue
        key: Key = ("striker", place, "calibration")
        lengths = {len(table.widths_us), len(table.forces_n)}
        if table.flights_ms:
            lengths.add(len(table.flights_ms))
        if len(lengths) > 1:
            file.fault(key, "widths_us, forces_n and flights_ms (if given) differ in length")
        try:
            datetime.date.fromisoformat(table.date)
        except ValueError:
            file.fault((*key, "date"), f"{table.date!r} found; a day as YYYY-MM-DD is asked for")
        for column in ("widths_us", "forces_n"):
            if any(b <= a for a, b in itertools.pairwise(getattr(table, column))):
                file.fault((*key, column), "each entry must be greater than the one before")
    file.raise_faults()
    return bench


def parse_specimen(text: str, name: str) -> Specimen:
    """Check and convert the text of a specimen file."""
    file = TomlFile(text, name)
    specimen = file.convert(Specimen)
    zones = specimen.module.zones
    _unique(file, ("module", "zone"), "id", [zone.id for zone in zones])
    _unique(file, ("module", "zone"), "note", [zone.note for zone in zones])
    curve = specimen.module.declared_curve
    if (
        curve.least_force_n is not None
        and curve.most_force_n is not None
        and curve.least_force_n >= curve.most_force_n
    ):
        file.fault(("module", "declared_curve", "least_force_n"), "it must stay below most_force_n")
    file.raise_faults()
    return specimen


def _unique(
    file: TomlFile, tables: str | tuple[str, ...], field: str, values: Iterable[object]
) -> None:
    values = list(values)
    counts = Counter(values)
    way = (tables,) if isinstance(tables, str) else tables
    for place, value in enumerate(values):
        if counts[value] > 1 and value in values[:place]:
            file.fault((*way, place, field), f"{value!r} stands more than once; each must differ")


def _one_of(file: TomlFile, key: Key, **choices: object) -> None:
    given = [name for name, value in choices.items() if value is not None]
    if len(given) != 1:
        found = " and ".join(given) if given else "neither"
        file.fault(key, f"{found} found; give one of {' or '.join(choices)}")
