"""Whether two runs may be compared or pooled: what must be equal in them."""

from __future__ import annotations

import dataclasses
import json
import re
from collections.abc import Iterator, Sequence
from typing import Any

import msgspec
import pandas as pd

from rig.record.bench_fault import BenchError
from rig.record.bench_file import BenchFile
from rig.record.protocol import Protocol
from rig.record.specimen import Specimen

_CURVE = re.compile(r" \([^()]*\) us \([^()]*\) N")

MUST_BE_EQUAL = ("bench", "calibration", "protocol", "sample_rate_hz", "note_source", "zones")


class UnlikeRunsError(BenchError):
    """Runs that differ in what must be equal."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class RunFacts:
    """What a run was taken with.

    Attributes
    ----------
    name
        For messages.
    bench, calibration, protocol, sample_rate_hz, note_source
        Must be equal for a comparison: what struck, how hard, what was asked, how fine, and by
        which wire notes came in (a host's path adds a delay of its own).
    zones
        Must be equal too: the zones, and between which of them levels were recorded. Crosstalk from
        one zone to another says nothing of that between two others.
    specimen
        What may differ, key -> value as text: it is what the comparison is about.
    """

    name: str
    bench: str
    calibration: str
    protocol: str
    sample_rate_hz: int
    note_source: str = ""
    zones: str = ""
    specimen: dict[str, str] = dataclasses.field(default_factory=dict)


def facts_of(name: str, bench: BenchFile, protocol: Protocol, specimen: Specimen) -> RunFacts:
    """Take the facts from the three files of a run.

    The protocol's limits, name and purpose may differ (they strike nothing), and its seed (it only
    shuffles); its stages may not.
    """
    calibrations = [
        f"{striker.id}: "
        + (
            f"{striker.calibration.date} ({striker.calibration.reference_serial})"
            f" {striker.calibration.widths_us} us {striker.calibration.forces_n} N"
            if striker.calibration
            else "none"
        )
        for striker in bench.strikers
    ]
    struck = msgspec.json.encode(protocol.stages).decode()
    built = msgspec.to_builtins(specimen)
    flat = {key: text for table in ("pad", "module") for key, text in _flat(table, built[table])}
    return RunFacts(
        name=name,
        bench=bench.name,
        calibration="; ".join(calibrations) or "none",
        protocol=struck,
        sample_rate_hz=bench.audio.sample_rate_hz,
        note_source=_wire(bench),
        zones=_zones(bench, specimen),
        specimen=flat,
    )


def _flat(name: str, value: Any) -> Iterator[tuple[str, str]]:
    """Give each value of a table and of the tables in it by its full name."""
    if isinstance(value, dict):
        for key, one in value.items():
            yield from _flat(f"{name}.{key}", one)
    elif name == "module.zone":
        yield name, ", ".join(f"{zone['id']} {zone['note']}" for zone in value)
    else:
        yield name, "not known" if value is None else str(value)


def zone_pair(bench: BenchFile, specimen: Specimen) -> str:
    """Name the struck zone and that of the second sensor; empty where no channel records one."""
    if not any(channel.role == "second_zone" for channel in bench.audio.channels):
        return ""
    struck, *others = specimen.module.zones
    return f"{struck.id} to {others[0].id if others else 'the second zone'}"


def _zones(bench: BenchFile, specimen: Specimen) -> str:
    pair = zone_pair(bench, specimen)
    heard = f"level from {pair} recorded" if pair else "no second_zone channel"
    return f"{', '.join(zone.id for zone in specimen.module.zones)}; {heard}"


def zones_left_out(bench: BenchFile, specimen: Specimen) -> str:
    """Tell of which zones crosstalk is compared by notes alone; empty where of none."""
    struck, *others = (zone.id for zone in specimen.module.zones)
    silent = others[1:] if zone_pair(bench, specimen) else others
    if not silent:
        return ""
    return (
        f"Crosstalk from {struck} to {', '.join(silent)} is compared by its notes alone: their "
        "level was not recorded (an input of role second_zone records that of the second zone)"
    )


def _wire(bench: BenchFile) -> str:
    """Way of the notes: the board's input and a recorded line are one wire."""
    if not bench.host_alone:
        return "by DIN"
    known = bench.midi.host_path
    return "by the host" + (
        f", {known.delay_ms:g} ms taken off" if known else ", path not measured"
    )


def refuse_unlike(runs: Sequence[RunFacts], allow: Sequence[str] = ()) -> tuple[str, ...]:
    """Refuse runs that differ in what must be equal, naming every difference.

    Parameters
    ----------
    runs
        Two or more.
    allow
        Names of ``MUST_BE_EQUAL`` whose difference is accepted by the person who asks.

    Returns
    -------
    tuple of str
        One sentence for each difference that was allowed, to be printed with the result.

    Raises
    ------
    UnlikeRunsError
        All differences that were not allowed, in one go.
    """
    unknown = sorted(set(allow) - set(MUST_BE_EQUAL))
    if unknown:
        raise UnlikeRunsError(
            f"comparison: {', '.join(unknown)} cannot be allowed; one of "
            f"{', '.join(MUST_BE_EQUAL)} can"
        )
    refused: list[str] = []
    allowed: list[str] = []
    wanted = ""
    for name in MUST_BE_EQUAL:
        by_value: dict[str, list[str]] = {}
        for run in runs:
            by_value.setdefault(str(getattr(run, name)), []).append(run.name)
        if len(by_value) > 1:
            found = _told(name, by_value)
            verb = "differ" if name.endswith("s") else "differs"
            (allowed if name in allow else refused).append(f"{name} {verb} ({found})")
            if name not in allow:
                wanted += f" --allow {name}"
    if refused:
        raise UnlikeRunsError(
            "these runs cannot be compared or pooled: "
            + "; ".join(refused)
            + f". Take them again alike, or accept the difference:{wanted}"
        )
    return tuple(allowed)


def _told(name: str, by_value: dict[str, list[str]]) -> str:
    """Say what differs, briefly: of protocols the keys that do, of calibrations their dates."""
    if name == "protocol":
        (first, names), *others = by_value.items()
        return "; ".join(
            f"{', '.join(others_names)} against {', '.join(names)}: "
            + ", ".join(_stage_differences(json.loads(first), json.loads(value)))
            for value, others_names in others
        )
    shown = {value: value for value in by_value}
    if name == "calibration":
        shown = {value: _CURVE.sub("", value) for value in by_value}
        if len(set(shown.values())) < len(shown):
            shown = {v: f"{text} (curve {i})" for i, (v, text) in enumerate(shown.items(), 1)}
    return "; ".join(f"{', '.join(names)}: {shown[value]}" for value, names in by_value.items())


def _stage_differences(before: list[dict[str, Any]], after: list[dict[str, Any]]) -> list[str]:
    """Name stages and keys that differ between two protocols' stages."""
    one, other = ({stage["name"]: stage for stage in stages} for stages in (before, after))
    found = [f"no stage {name!r}" for name in one if name not in other]
    found += [f"a further stage {name!r}" for name in other if name not in one]
    for name in one:
        if name not in other:
            continue
        keys = dict.fromkeys((*one[name], *other[name]))
        found += [
            f"stage {name!r} has {key} {_short(other[name].get(key))}, not "
            f"{_short(one[name].get(key))}"
            for key in keys
            if one[name].get(key) != other[name].get(key)
        ]
    return found or ["another order of stages"]


def _short(value: Any) -> str:
    if isinstance(value, list):
        value = ", ".join(map(str, value))
    text = "not given" if value is None else str(value)
    return text if len(text) <= 40 else f"{text[:37]}…"


def changed(before: RunFacts, after: RunFacts) -> tuple[str, ...]:
    """What differs between the specimens, one sentence each: what the comparison is about."""
    keys = [*before.specimen, *(key for key in after.specimen if key not in before.specimen)]
    return tuple(
        f"{key}: {before.specimen.get(key, '-')} -> {after.specimen.get(key, '-')}"
        for key in keys
        if before.specimen.get(key) != after.specimen.get(key)
    )


def pool(
    tables: Sequence[pd.DataFrame], runs: Sequence[RunFacts], allow: Sequence[str] = ()
) -> pd.DataFrame:
    """Put stroke tables of like runs of one specimen together, with a column ``run``.

    Raises
    ------
    UnlikeRunsError
        As :func:`refuse_unlike`; and where the specimens differ.
    """
    refuse_unlike(runs, allow)
    differences = [text for run in runs[1:] for text in changed(runs[0], run)]
    if differences:
        raise UnlikeRunsError(
            "these runs cannot be pooled, they are of different specimens: "
            + "; ".join(differences)
        )
    marked = [table.assign(run=run.name) for table, run in zip(tables, runs, strict=True)]
    return pd.concat(marked, ignore_index=True)
