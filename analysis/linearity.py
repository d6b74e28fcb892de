"""Force levels of single strokes, and how far their velocities are from a line.

The terms are those of analogue-to-digital converters (IEEE 1241 and 1057): the velocity is the
code, the force the input. Strokes of the same force form a level; in a ladder that rises
continuously, neighbours do. A level's velocity is its midmean (mean of the middle half): as safe
as a median against one wrong stroke, but not bound to whole numbers.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from analysis.interval import Interval
from rig.record.specimen import DeclaredCurve

Array = NDArray[np.float64]
Finding = tuple[Interval, str, dict[str, Any]]
"""An interval, a sentence on it, and details."""

LOWEST, HIGHEST = 1, 127
QUANTISATION_VARIANCE = 1 / 12
"""Variance of the rounding to whole levels (A/D terms: q / sqrt(12)); no spread is below it."""
LARGEST = "Student t of the largest; lower end simultaneous (Sidak)"

_LEAST_STROKES = 5  # of a level in a continuous ladder
_HISTOGRAM_HITS = 8  # mean strokes a velocity from which on the histogram method is used
_MIDMEAN = 1.1  # a midmean of normal values varies about a tenth more than their mean


@dataclasses.dataclass(frozen=True)
class Levels:
    """Force levels, ascending. Arrays of shape (levels,).

    Attributes
    ----------
    force
        N, or pulse width in µs where the forces are not known.
    velocity, count
        Midmean of the velocities, and strokes with a note.
    clipped
        A stroke of the level reads 1 or 127.
    sd, freedom
        Pooled within the levels that aren't clipped, and its degrees of freedom.
    sd_each
        Standard deviation of each level; NaN below two strokes.
    """

    force: Array
    velocity: Array
    count: Array
    clipped: NDArray[np.bool_]
    sd_each: Array
    sd: float
    freedom: int

    @property
    def error_variance(self) -> Array:
        """Variance of each level's velocity, shape (levels,).

        Rounding averages out only as far as the spread dithers it: what remains falls with
        exp(-4 pi^2 sd^2), as the first harmonic of the rounding error does.
        """
        rounding = QUANTISATION_VARIANCE * math.exp(-4 * (math.pi * self.sd) ** 2)
        return np.asarray(_MIDMEAN**2 * self.sd**2 / self.count + rounding)

    def kept(self, mask: NDArray[np.bool_]) -> Levels:
        """Return the levels where `mask` holds, with the same pooled spread."""
        cut = {
            name: getattr(self, name)[mask]
            for name in ("force", "velocity", "count", "clipped", "sd_each")
        }
        return dataclasses.replace(self, **cut)


def levels_of(force: Array, velocity: Array) -> tuple[Levels, NDArray[np.intp]]:
    """Return the force levels, and the level of each stroke.

    Equal forces form a level; where the median level would hold fewer than three strokes, runs of
    five neighbours do, and their spread is taken about a straight line within the run.
    """
    _, label = np.unique(force, return_inverse=True)
    continuous = force.size > 0 and float(np.median(np.bincount(label))) < 3
    if continuous:
        runs = max(force.size // _LEAST_STROKES, 1)
        rank = np.argsort(np.argsort(force, kind="stable"), kind="stable")
        label = np.minimum(rank // _LEAST_STROKES, runs - 1)
    parts = [np.flatnonzero(label == one) for one in range(int(label.max(initial=-1)) + 1)]
    squares, freedom = 0.0, 0
    sds = np.full(len(parts), math.nan)
    clipped = np.zeros(len(parts), dtype=bool)
    for i, part in enumerate(parts):
        clipped[i] = bool(((velocity[part] <= LOWEST) | (velocity[part] >= HIGHEST)).any())
        rest, lost = velocity[part] - velocity[part].mean(), 1
        if continuous and np.ptp(force[part]) > 0:
            slope = stats.linregress(force[part], velocity[part])
            rest = velocity[part] - slope.intercept - slope.slope * force[part]
            lost = 2
        if part.size > lost:
            sds[i] = math.sqrt(float((rest**2).sum()) / (part.size - lost))
            if not clipped[i]:
                squares += float((rest**2).sum())
                freedom += part.size - lost
    levels = Levels(
        np.array([force[part].mean() for part in parts]),
        np.array([stats.trim_mean(velocity[part], 0.25) for part in parts]),
        np.array([part.size for part in parts], dtype=np.float64),
        clipped,
        sds,
        math.sqrt(squares / freedom) if freedom else math.nan,
        freedom,
    )
    return levels, label


def target(force: Array, curve: DeclaredCurve) -> Array:
    """Return what the declared curve makes proportional to velocity - 1: (F - F0) ** exponent.

    Without a declared least force F0 is 0 for an exponent other than 1; for a straight line it
    doesn't matter.
    """
    return np.asarray(np.maximum(force - (curve.least_force_n or 0.0), 0.0) ** curve.exponent)


def histogram_nonlinearity(hits: Array) -> tuple[Array, Array, Array]:
    """Return DNL, end-point INL and best-fit INL from hits a code under an even input.

    Parameters
    ----------
    hits
        Hits of each code, both end codes already dropped; shape (codes,).

    Returns
    -------
    tuple of array
        DNL (codes,): hits over their mean, less 1. INL (codes + 1,), at the transitions: running
        sum of DNL (IEEE 1241 terms), and its residual from a line of least squares.
    """
    dnl = hits / hits.mean() - 1
    endpoint = np.concatenate([[0.0], np.cumsum(dnl)])
    at = np.arange(endpoint.size)
    line = np.polynomial.Polynomial.fit(at, endpoint, 1)
    return dnl, endpoint, endpoint - line(at)


def worst_of(deviation: Array, cover: Array, levels: Levels, confidence: float) -> Interval:
    """Return the largest absolute deviation with its interval.

    `cover` (deviations, levels) makes the deviations out of the level velocities. Which one is
    truly the largest isn't known. The lower end is the largest of the deviations' lower ends, each
    at a Šidák share of the whole risk; the upper end the largest of their upper ends at the whole
    risk, one-sided, which the one that is truly largest keeps by itself. Where one stands out only
    the upper end can miss, where none does only the lower one. Conservative where several are
    nearly as large.
    """
    name = LARGEST
    if deviation.size == 0:
        return Interval(math.nan, math.nan, math.nan, name)
    worst = float(np.abs(deviation).max())
    if levels.freedom < 1:
        return Interval(worst, math.nan, math.nan, name)
    each = 1 - confidence ** (1 / deviation.size)
    down = float(stats.t.ppf(1 - each / 2, levels.freedom))
    up = float(stats.t.ppf(confidence, levels.freedom))
    error = np.sqrt(cover**2 @ levels.error_variance)
    low = float(np.maximum(np.abs(deviation) - down * error, 0).max())
    high = float((np.abs(deviation) + up * error).max())
    return Interval(worst, low, high, name)


def _line_covers(at: Array) -> dict[str, Array]:
    """Return the matrices that take level velocities to their residuals, by line."""
    size = at.size
    part = (at - at[0]) / (at[-1] - at[0])
    ends = np.zeros((size, size))
    ends[:, 0], ends[:, -1] = 1 - part, part
    design = np.column_stack([np.ones(size), at])
    return {
        "velocity_inl_endpoint": np.eye(size) - ends,
        "velocity_inl_bestfit": np.eye(size) - design @ np.linalg.pinv(design),
    }


def _histogram_dnl(force: Array, velocity: Array, curve: DeclaredCurve) -> Array | None:
    """Return DNL by histogram, or None where strokes are too few or too uneven for it."""
    inner = (velocity > LOWEST) & (velocity < HIGHEST)
    if inner.sum() < 2:
        return None
    codes = velocity[inner].astype(int)
    hits = np.bincount(codes - codes.min()).astype(np.float64)[1:-1]
    if hits.size < 3 or hits.mean() < _HISTOGRAM_HITS:
        return None
    input_steps = np.diff(np.sort(target(force[inner], curve)))
    if input_steps.max() > 4 * np.ptp(target(force[inner], curve)) / inner.sum():
        return None  # a ladder of few forces
    return histogram_nonlinearity(hits)[0]


def linearity_measures(
    force: Array, velocity: Array, levels: Levels, curve: DeclaredCurve, confidence: float
) -> dict[str, Finding]:
    """Return name -> (interval, note, details) of INL, DNL and monotony, in levels.

    Levels that clip (1 or 127) or have no note are no part of the line.
    """
    active = levels.kept(~levels.clipped)
    none = Interval(math.nan, math.nan, math.nan, LARGEST)
    too_few = "Fewer than three force levels between dead zone and saturation."
    found: dict[str, Finding] = {}
    at = target(active.force, curve)
    enough = active.force.size >= 3 and float(np.ptp(at)) > 0
    for name in ("velocity_inl_endpoint", "velocity_inl_bestfit"):
        if not enough:
            found[name] = (none, too_few, {})
            continue
        cover = _line_covers(at)[name]
        rest = cover @ active.velocity
        found[name] = (
            worst_of(rest, cover, active, confidence),
            "Largest deviation from the declared curve's line through the "
            + ("first and last level." if name.endswith("endpoint") else "levels, least squares."),
            {"force": active.force.tolist(), "deviation": rest.tolist()},
        )
    found["velocity_dnl_worst"] = (none, too_few, {})
    dnl = _histogram_dnl(force, velocity, curve)
    if dnl is not None:
        worst = float(np.abs(dnl).max())
        found["velocity_dnl_worst"] = (
            Interval(worst, math.nan, math.nan, "histogram"),
            "By histogram, in steps of one level; a level never seen counts -1.",
            {"deviation": dnl.tolist(), "missing_levels": int((dnl == -1).sum())},
        )
    elif enough:
        slope = float(np.polynomial.Polynomial.fit(at, active.velocity, 1).convert().coef[1])
        rest = np.diff(active.velocity) - slope * np.diff(at)
        cover = np.diff(np.eye(at.size), axis=0)
        found["velocity_dnl_worst"] = (
            worst_of(rest, cover, active, confidence),
            "Largest difference between a step of the ladder and the same step of the line.",
            {"force": active.force[1:].tolist(), "deviation": rest.tolist()},
        )
    found["velocity_monotony"] = _monotony(levels, confidence)
    return found


def _monotony(levels: Levels, confidence: float) -> Finding:
    name = "steps that surely fall, and that fall at all"
    steps = np.diff(levels.velocity)
    if steps.size == 0 or levels.freedom < 1:
        return Interval(math.nan, math.nan, math.nan, name), "Too few forces or repeats.", {}
    error = np.sqrt(levels.error_variance[1:] + levels.error_variance[:-1])
    each = float(stats.t.ppf(confidence, levels.freedom))
    all_at_once = float(stats.t.ppf(confidence ** (1 / steps.size), levels.freedom))
    falls = [steps < 0, steps < -each * error, steps < -all_at_once * error]
    low, value, high = (1 - float(fall.mean()) for fall in falls)
    note = (
        "Share of steps between neighbouring forces at which the velocity does not fall by more "
        f"than chance ({100 * confidence:g} %, one-sided). Upper bound: falls beyond chance over "
        "all steps at once; lower: any fall."
    )
    at = levels.force[1:][falls[1]].tolist()
    return Interval(value, low, high, name), note, {"falls_at": at}
