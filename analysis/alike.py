"""Whether two runs may be compared or pooled: what must be equal in them."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import msgspec
import pandas as pd

from rig.record.bench_fault import BenchError
from rig.record.bench_file import BenchFile
from rig.record.protocol import Protocol
from rig.record.specimen import Specimen

MUST_BE_EQUAL = ("bench", "calibration", "protocol", "sample_rate_hz")


class UnlikeRunsError(BenchError):
    """Runs that differ in what must be equal."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class RunFacts:
    """What a run was taken with.

    Attributes
    ----------
    name
        For messages.
    bench, calibration, protocol, sample_rate_hz
        Must be equal for a comparison: what struck, how hard, what was asked, how fine.
    specimen
        What may differ, key -> value as text: it is what the comparison is about.
    """

    name: str
    bench: str
    calibration: str
    protocol: str
    sample_rate_hz: int
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
    flat = {
        f"{table}.{key}": str(value)
        for table in ("pad", "module")
        for key, value in built[table].items()
    }
    return RunFacts(
        name=name,
        bench=bench.name,
        calibration="; ".join(calibrations),
        protocol=struck,
        sample_rate_hz=bench.audio.sample_rate_hz,
        specimen=flat,
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
    for name in MUST_BE_EQUAL:
        by_value: dict[str, list[str]] = {}
        for run in runs:
            by_value.setdefault(str(getattr(run, name)), []).append(run.name)
        if len(by_value) > 1:
            found = "; ".join(
                f"{', '.join(names)}: {value if len(value) <= 120 else value[:117] + '...'}"
                for value, names in by_value.items()
            )
            (allowed if name in allow else refused).append(f"{name} differs ({found})")
    if refused:
        raise UnlikeRunsError(
            "these runs cannot be compared or pooled: "
            + "; ".join(refused)
            + ". Take them again alike, or allow the difference by name"
        )
    return tuple(allowed)


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
