"""What a bench can tell apart: a gauge study over the stroke tables of several runs."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np
import pandas as pd

from analysis.gauge import crossed
from analysis.gauge_study import GaugeStudy, StudyError
from analysis.mean_squares import MeanSquares, Weights, added
from analysis.nested import NestedStudy, nested
from analysis.stability import Stability, stability
from analysis.variance_split import CROSSED, GAUGE, REPEATABILITY, REPRODUCIBILITY, Split

READINGS: dict[str, tuple[str, float, str]] = {
    "latency": ("latency_s", 1e3, "ms"),
    "velocity": ("velocity", 1.0, "levels"),
    "level": ("peak_dbfs", 1.0, "dB"),
}
"""Readings that can be studied: column, factor, unit."""

CONDITIONS = ("striker", "day", "mounting", "run")


@dataclasses.dataclass(frozen=True, kw_only=True)
class StudiedRun:
    """One run of a study.

    Attributes
    ----------
    name, specimen, day, mounting
        What it is of, and under which conditions it was taken.
    begun_s
        When it began, on any one clock; NaN: not known.
    strokes
        Its stroke table.
    """

    name: str
    specimen: str
    day: str
    mounting: str
    strokes: pd.DataFrame
    begun_s: float = math.nan


def unknown_names(reading: str, conditions: Sequence[str] = CONDITIONS) -> list[str]:
    """Give a sentence for a reading that cannot be studied, and one for such conditions."""
    faults = []
    if reading not in READINGS:
        faults.append(f"gauge study: no reading {reading!r}; there is {', '.join(READINGS)}")
    unknown = sorted(set(conditions) - set(CONDITIONS))
    if unknown or not conditions:
        faults.append(
            f"gauge study: conditions {', '.join(unknown) or '(none)'}; there is "
            f"{', '.join(CONDITIONS)}"
        )
    return faults


def readings(runs: Sequence[StudiedRun], reading: str) -> pd.DataFrame:
    """Put the readings of all valid strokes together: specimen, run, day, mounting, striker, value.

    Strokes of unlike stage and force are brought to one mean first: force is no part of the study.
    """
    if faults := unknown_names(reading):
        raise StudyError("\n".join(faults))
    column, factor, _ = READINGS[reading]
    parts = []
    for run in runs:
        strokes = run.strokes[run.strokes["valid"].astype(bool) & (run.strokes["strike"] >= 0)]
        value = strokes[column].astype(float)
        if column == "velocity":
            value = value.where(value >= 0)  # of a lost stroke the table says -1
        part = strokes[["stage", "force_n", "striker"]].assign(
            value=factor * value,
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
    if faults := unknown_names(reading, conditions):
        raise StudyError("\n".join(faults))
    table = readings(runs, reading)
    study = _of_specimens(runs, table, conditions)
    if study.repeatability_sd == 0.0:
        raise StudyError(
            f"gauge study: no {reading} differs from the next under one condition: its step is too "
            "coarse to show the spread, or it is at its limit. Take another reading, or other "
            "forces or settings"
        )
    return study


def _of_specimens(
    runs: Sequence[StudiedRun], table: pd.DataFrame, conditions: Sequence[str]
) -> GaugeStudy:
    """Choose the study by whether there are several specimens."""
    if table["specimen"].nunique() >= 2:
        turn: dict[str, int] = {}
        numbers = {}
        for run in runs:
            turn[run.specimen] = turn.get(run.specimen, 0) + 1
            numbers[run.name] = turn[run.specimen]
        table["run"] = table["run"].map(numbers)
        level = _level_out(table, ["specimen", *conditions])
        return crossed(level, value="value", part="specimen", conditions=conditions)
    flat = [name for name in conditions if table[name].nunique() < 2]
    if flat:
        raise StudyError(
            f"gauge study: one specimen, and {', '.join(flat)} did not vary: take more runs with "
            "it changed, or more specimens"
        )
    # what is nested in what, outermost first: remounting 1 of Monday is not that of Tuesday
    level = _level_out(table, list(conditions))
    return _of_one(nested(level, value="value", levels=list(conditions)), len(level))


def _of_one(found: NestedStudy, count: int) -> GaugeStudy:
    """Make a study of one specimen's levels of spread."""
    inner, *outer = found.levels
    own = dict(zip(outer, found.component_sd[1:], strict=True))
    between = math.hypot(*own.values())
    squares = MeanSquares(
        square={name: sd**2 for name, sd in zip(found.levels, found.level_sd, strict=True)},
        freedom=dict(zip(found.levels, found.level_df, strict=True)),
    )
    weights: dict[str, Weights] = {REPEATABILITY: {inner: 1.0}}
    for name, below, size in zip(outer, found.levels, found.below, strict=False):
        weights[f"between {name}"] = {name: 1.0, below: -1.0 / size}
    weights[REPRODUCIBILITY] = added(*(weights[f"between {name}"] for name in outer))
    weights[CROSSED] = weights[REPRODUCIBILITY]
    weights[GAUGE] = added(weights[REPRODUCIBILITY], weights[REPEATABILITY])
    return GaugeStudy(
        method=f"nested, repeats within {' within '.join(outer)}",
        repeatability_sd=found.component_sd[0],
        reproducibility_sd=between,
        # of one specimen nothing tells what would differ from specimen to specimen
        interaction_sd=between,
        part_sd=math.nan,
        condition_sd=own,
        table=pd.DataFrame(),
        count=count,
        split=Split(squares=squares, weights=weights),
    )


def over_a_day(
    runs: Sequence[StudiedRun],
    *,
    reading: str = "latency",
    reference: float = math.nan,
    confidence: float = 0.95,
) -> dict[str, Stability]:
    """Judge the stability of each striker over runs of one specimen: one mean a run.

    Parameters
    ----------
    runs
        Of one specimen, 5 or more, with ``begun_s``.
    reading
        Of ``READINGS``.
    reference
        What should have been read; NaN: no bias is told.
    confidence
        Of the intervals.

    Raises
    ------
    StudyError
        Several specimens, or too few runs.
    """
    if len({run.specimen for run in runs}) > 1:
        raise StudyError(
            "stability: runs of several specimens; the check specimen alone tells how a striker "
            "stands: leave the others out"
        )
    table = readings(runs, reading)
    begun = {run.name: run.begun_s for run in runs}
    found = {}
    for striker, rows in table.groupby("striker"):
        means = rows.groupby("run")["value"].mean()
        times = [begun[str(name)] for name in means.index]
        found[str(striker)] = stability(
            times, means.to_numpy(), reference=reference, confidence=confidence
        )
    return found
