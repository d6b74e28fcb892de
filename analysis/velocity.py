"""Velocity over force: linearity, order, spread, levels told apart, exponent and the range used.

Single strokes alone are used. See :mod:`analysis.linearity` for the levels.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from analysis import interval
from analysis.chance_threshold import threshold
from analysis.exponent import exponent
from analysis.interval import Interval
from analysis.linearity import (
    HIGHEST,
    LARGEST,
    QUANTISATION_VARIANCE,
    Array,
    Finding,
    Levels,
    levels_of,
    linearity_measures,
    worst_of,
)
from analysis.measure import Measure
from analysis.psychometric import fit_curve
from analysis.selection import LOST, NOTED, Selection, contacts, measured
from rig.record.specimen import DeclaredCurve

TOLD_APART = 2 * 1.6448536269514722
"""Distance in standard deviations at which a bound halfway errs on 5 % of strokes each side."""

_APART = "chi-square bounds of the spread, a standard error of each step; conservative"
_AT_MOST = {"bench_limited": True, "direction": "at_most"}
_AT_LEAST = {"bench_limited": True, "direction": "at_least"}

_UNITS = {
    "velocity_monotony": "ratio",
    "velocity_levels_apart": "count",
    "velocity_exponent": "ratio",
    "velocity_dead_zone": "n",
    "velocity_saturation": "n",
}


def levels_apart(levels: Levels, variance: float, further_errors: float = 0.0) -> int:
    """Return how many of the force levels can be told apart, one stroke each.

    From the softest up, the next level counted is the first whose velocity lies at least
    ``TOLD_APART`` standard deviations above the last one counted, and so many standard errors of
    their difference more.
    """
    if levels.force.size == 0 or not math.isfinite(variance):
        return 0
    step = TOLD_APART * math.sqrt(max(variance, QUANTISATION_VARIANCE))
    error = levels.error_variance
    count, last = 1, 0
    for k in range(1, levels.force.size):
        room = step + further_errors * math.sqrt(error[k] + error[last])
        if levels.velocity[k] - levels.velocity[last] >= room:
            count, last = count + 1, k
    return count


def _edge(force: Array, hit: NDArray[np.bool_], confidence: float) -> Interval | None:
    """Return the force at which half of the strokes are hits; None where all or none are."""
    fit = fit_curve(np.log(force), hit, np.ones(force.size), width_least=0.001, lapse_most=0.1)
    if fit is None:
        return None
    name = "profile likelihood of a logistic curve over log force"
    found = threshold(fit, 0.5, confidence)
    return Interval(math.exp(found.value), math.exp(found.low), math.exp(found.high), name)


def _dead_zone(force: Array, noted: NDArray[np.bool_], confidence: float) -> Finding:
    sentence = "Force at which half of the strokes give a note."
    found = _edge(force, noted, confidence)
    if found is not None:
        return found, sentence, {}
    if force.size and noted.all():
        least = float(force.min())
        note = f"{sentence} All do: it is at most the least force struck."
        return Interval(least, math.nan, least, "range struck"), note, _AT_MOST
    nothing = Interval(math.nan, math.nan, math.nan, "range struck")
    return nothing, f"{sentence} None gave any.", {}


def _saturation(force: Array, full: NDArray[np.bool_], confidence: float) -> Finding:
    sentence = "Force at which half of the strokes read 127."
    found = _edge(force, full, confidence)
    if found is not None:
        return found, sentence, {}
    if force.size and not full.any():
        most = float(force.max())
        note = f"{sentence} None did: it is at least the largest force struck."
        return Interval(most, most, math.nan, "range struck"), note, _AT_LEAST
    nothing = Interval(math.nan, math.nan, math.nan, "range struck")
    return nothing, f"{sentence} Not told by this range.", {}


def _apart(levels: Levels, spread: Interval) -> Finding:
    size = levels.force.size
    few, some, many = (
        float(levels_apart(levels, sd**2, errors) or math.nan)
        for sd, errors in ((spread.high, 1.0), (spread.value, 0.0), (spread.low, -1.0))
    )
    limited = some == size
    note = (
        f"Of {size} forces struck, those whose velocities lie {TOLD_APART:.2f} standard deviations"
        " apart (one stroke in 20 is taken for its neighbour)."
        + (" All of them do: more forces may show more levels." if limited else "")
    )
    details = {
        "force": levels.force.tolist(),
        "velocity": levels.velocity.tolist(),
        "count": levels.count.tolist(),
        "clipped": levels.clipped.tolist(),
        "bench_limited": limited,
    }
    return Interval(some, few, many, _APART), note, details


def _hysteresis(rows: pd.DataFrame, force: Array, levels: Levels, confidence: float) -> Finding:
    """Return the largest difference at one force between the ladder going up and going down."""
    velocity, sweep = rows["velocity"].to_numpy(dtype=np.float64), rows["sweep"].to_numpy()
    ways = [(force[sweep == way], velocity[sweep == way]) for way in ("up", "down")]
    both = np.intersect1d(ways[0][0], ways[1][0])
    if both.size == 0 or levels.freedom < 1:
        none = Interval(math.nan, math.nan, math.nan, LARGEST)
        return none, "No force was struck both going up and going down.", {}
    parts = [[at[over == one] for one in both] for over, at in ways]
    up, down = (np.array([stats.trim_mean(one, 0.25) for one in way]) for way in parts)
    pair = dataclasses.replace(levels, count=np.array([one.size for one in parts[0] + parts[1]]))
    cover = np.hstack([np.eye(both.size), -np.eye(both.size)])
    return (
        worst_of(up - down, cover, pair, confidence),
        "Largest difference, at one force, between the ladder going up and going down.",
        {"force": both.tolist(), "deviation": (up - down).tolist()},
    )


def _explained_by_sensor(rows: pd.DataFrame, level_of: NDArray[np.intp]) -> float:
    """Return the share of the spread within forces that goes with the sensor's peak level."""
    if "peak_dbfs" not in rows or len(rows) < 10:
        return math.nan
    table = rows[["velocity", "peak_dbfs"]].astype(float)
    table = table - table.groupby(level_of).transform("mean")
    if not np.isfinite(table.to_numpy()).all() or (table.std() == 0).any():
        return math.nan
    return float(table["velocity"].corr(table["peak_dbfs"]) ** 2)


def _over(chosen: Selection) -> tuple[Selection, Array, bool]:
    """Return the strokes with a known force (or pulse width), that, and whether it is in N."""
    rows = chosen.rows
    in_n = bool(np.isfinite(rows["force_n"].to_numpy(dtype=np.float64)).any())
    axis = rows["force_n" if in_n else "width_us"].to_numpy(dtype=np.float64)
    known = np.isfinite(axis) & (axis > 0)
    return chosen.narrowed(known, "force not known"), axis[known], in_n


def _in_pulse_width(width_us: float, direction: str) -> str:
    """Return the sentence that stands where a force can't be told, with what can."""
    told = "Not told in newtons: the bench has no force calibration."
    if not math.isfinite(width_us):
        return told
    sign = {"at_most": "at most ", "at_least": "at least "}.get(direction, "")
    return f"{told} As a pulse width: {sign}{width_us:.5g} µs."


def velocity_measures(
    strokes: pd.DataFrame,
    *,
    curve: DeclaredCurve | None = None,
    confidence: float = 0.95,
    stage: str = "",
) -> list[Measure]:
    """Return the measures of velocity over force, from the single strokes.

    Parameters
    ----------
    strokes
        Stroke table. Over ``force_n``; where no force is known (bench not calibrated) over
        ``width_us``, which the notes then say, and dead zone and saturation in N stay NaN.
    curve
        Declared curve of the specimen; ``None``: a straight line.
    confidence, stage
        Of every interval; what the measures are labelled with.

    Returns
    -------
    list of Measure
        velocity_inl_endpoint, velocity_inl_bestfit, velocity_dnl_worst, velocity_monotony,
        velocity_spread, velocity_hysteresis, velocity_levels_apart, velocity_exponent,
        velocity_dead_zone, velocity_saturation. NaN where there are too few forces or strokes.
    """
    curve = curve or DeclaredCurve()
    struck, axis, in_n = _over(contacts(strokes[strokes["pattern"] == "single"]))
    noted = struck.rows["outcome"].isin(NOTED).to_numpy() & np.isfinite(
        struck.rows["velocity"].to_numpy(dtype=np.float64)
    )
    chosen = struck.narrowed(noted, LOST)
    force, velocity = axis[noted], chosen.rows["velocity"].to_numpy(dtype=np.float64)
    if not in_n:
        curve = DeclaredCurve(exponent=curve.exponent)
    levels, level_of = levels_of(force, velocity)
    spread = interval.sd_of_normal(levels.sd, levels.freedom, confidence)
    found = linearity_measures(force, velocity, levels, curve, confidence)
    found["velocity_spread"] = (
        spread,
        "Standard deviation within a force, pooled; the striker's own spread is in it.",
        {
            "force": levels.force.tolist(),
            "sd": levels.sd_each.tolist(),
            "explained_by_sensor_level": _explained_by_sensor(chosen.rows, level_of),
        },
    )
    found["velocity_hysteresis"] = _hysteresis(chosen.rows, force, levels, confidence)
    found["velocity_levels_apart"] = _apart(levels, spread)
    inner = ~levels.clipped[level_of]
    fitted, parameters = exponent(force[inner], velocity[inner], curve.least_force_n, confidence)
    found["velocity_exponent"] = (
        fitted,
        "Of velocity - 1 over force beyond an offset; strokes at forces that clip are left out.",
        dict(parameters),
    )
    found["velocity_dead_zone"] = _dead_zone(axis, noted, confidence)
    found["velocity_saturation"] = _saturation(force, velocity >= HIGHEST, confidence)
    over_width = (
        "" if in_n or not len(struck.rows) else " Over pulse width: the forces are not known."
    )
    out = []
    for name, (bounds, sentence, more) in found.items():
        details = {**more, "over": "force_n" if in_n else "width_us"}
        limited = bool(details.pop("bench_limited", False))
        told_by_width = _UNITS.get(name) == "n" and not in_n and len(struck.rows) > 0
        if told_by_width:
            details["width_us"] = bounds.value
            bounds = Interval(math.nan, math.nan, math.nan, bounds.method)
            direction, limited = str(details.pop("direction", "")), False
            sentence = _in_pulse_width(details["width_us"], direction)
        used = struck if name == "velocity_dead_zone" else chosen
        out.append(
            measured(
                name, _UNITS.get(name, "levels"), bounds, confidence=confidence,
                count=len(used.rows), rows=used.strokes, excluded=used.excluded, stage=stage,
                bench_limited=limited, details=details,
                note=sentence if told_by_width else sentence + over_width,
            )
        )  # fmt: skip
    return out
