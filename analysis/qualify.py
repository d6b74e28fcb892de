"""What a bench can tell apart: a gauge study over the stroke tables of several runs."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
import pandas as pd

from analysis.gauge import GaugeStudy, StudyError, crossed
from analysis.nested import nested

READINGS: dict[str, tuple[str, float, str]] = {
    "latency": ("latency_s", 1e3, "ms"),
    "velocity": ("velocity", 1.0, "levels"),
    "level": ("peak_dbfs", 1.0, "dB"),
}
"""Readings that can be studied: column, factor, unit."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class StudiedRun:
    """One run of a study.

    Attributes
    ----------
    name, specimen, day, mounting
        What it is of, and under which conditions it was taken.
    strokes
        Its stroke table.
    """

    name: str
    specimen: str
    day: str
    mounting: str
    strokes: pd.DataFrame


def readings(runs: Sequence[StudiedRun], reading: str) -> pd.DataFrame:
    """Put the readings of all valid strokes together: specimen, run, day, mounting, striker, value.

    Strokes of unlike stage and force are brought to one mean first: force is no part of the study.
    """
    if reading not in READINGS:
        raise StudyError(f"gauge study: no reading {reading!r}; there is {', '.join(READINGS)}")
    column, factor, _ = READINGS[reading]
    parts = []
    for run in runs:
        strokes = run.strokes[run.strokes["valid"].astype(bool) & (run.strokes["strike"] >= 0)]
        part = strokes[["stage", "force_n", "striker"]].assign(
            value=factor * strokes[column].astype(float),
            specimen=run.specimen,
            run=run.name,
            day=run.day,
            mounting=run.mounting,
        )
        parts.append(part[np.isfinite(part["value"])])
    table = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
    if table.empty:
        raise StudyError(f"gauge study: no valid stroke with a {reading} in {len(runs)} runs")
    cell = table.groupby(["stage", "force_n"], dropna=False)["value"].transform("mean")
    table["value"] = table["value"] - cell + table["value"].mean()
    return table


def _level_out(table: pd.DataFrame, keys: Sequence[str]) -> pd.DataFrame:
    """Keep equally many readings in each cell, spread evenly over it."""
    groups = [group for _, group in table.groupby(list(keys))]
    least = min(len(group) for group in groups)
    kept = [g.iloc[np.linspace(0, len(g) - 1, least).round().astype(int)] for g in groups]
    return pd.concat(kept, ignore_index=True)


def qualify(
    runs: Sequence[StudiedRun], *, reading: str = "latency", conditions: Sequence[str] = ("run",)
) -> GaugeStudy:
    """Study the bench over several runs.

    Parameters
    ----------
    runs
        Two or more of one protocol. Several specimens, each under each condition, make a crossed
        study; one specimen, several runs, a nested one (no specimens to tell apart, but the
        difference that would be seen).
    reading
        Of ``READINGS``.
    conditions
        Of striker, day, mounting and run (each run taken as the same remounting of each specimen,
        in the order given).

    Raises
    ------
    StudyError
        Too few runs, cells that are empty, conditions that do not vary.
    """
    unknown = sorted(set(conditions) - {"striker", "day", "mounting", "run"})
    if unknown or not conditions:
        raise StudyError(
            f"gauge study: conditions {', '.join(unknown) or '(none)'}; there is striker, day, "
            "mounting, run"
        )
    table = readings(runs, reading)
    if table["specimen"].nunique() >= 2:
        turn: dict[str, int] = {}
        numbers = {}
        for run in runs:
            turn[run.specimen] = turn.get(run.specimen, 0) + 1
            numbers[run.name] = turn[run.specimen]
        table["run"] = table["run"].map(numbers)
        level = _level_out(table, ["specimen", *conditions])
        return crossed(level, value="value", part="specimen", conditions=conditions)
    if len(conditions) != 1 or table[conditions[0]].nunique() < 2:
        raise StudyError(
            f"gauge study: one specimen, and conditions {', '.join(conditions)}; one specimen "
            "takes one condition with at least 2 values: take more runs, or more specimens"
        )
    condition = conditions[0]
    study = nested(_level_out(table, [condition]), value="value", levels=[condition])
    return GaugeStudy(
        method=f"nested, repeats within {condition}",
        repeatability_sd=study.component_sd[0],
        reproducibility_sd=study.component_sd[1],
        # of one specimen nothing tells what would differ from specimen to specimen
        interaction_sd=study.component_sd[1],
        part_sd=0.0,
        condition_sd={condition: study.component_sd[1]},
        table=pd.DataFrame(),
        count=len(table),
    )
