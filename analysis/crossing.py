"""From which magnitude on a chance is reached, without a curve of any shape.

A detector's dead time ends within a fraction of a millisecond, its shares may stay on a plateau
before they rise, and where a pad rings on they may fall again at longer gaps. No logistic curve
follows that. Here the chance is only taken not to fall with the magnitude, and that only above the
highest stretch of points that proves it to be below the demanded one: so the answer is the
magnitude from which on the chance is reached *for good*.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special
from scipy.optimize import isotonic_regression

from analysis.interval import Interval
from analysis.psychometric import fit_curve

Array = NDArray[np.float64]

METHOD = "likelihood ratio of monotone shares (Banerjee and Wellner)"
_SAME = 1e-9  # shares nearer to each other are equal
_PROVEN = 6.0  # log likelihood ratio of a stretch against the demanded chance
# Quantiles of the limit of twice the log likelihood ratio: Banerjee and Wellner, Annals of
# Statistics 29 (2001) 1699, table 2 (from memory; coverage is tested). Straight over log(1 - p).
_CONFIDENCE = np.array([0.5, 0.75, 0.8, 0.85, 0.9, 0.95, 0.99])
_CRITICAL = np.array([0.28506, 0.80694, 0.98729, 1.22756, 1.58345, 2.26916, 3.83630])
# The limit is reached slowly: with some hundred to two thousand trials the quantiles are about a
# tenth larger (by simulation; coverage is tested).
_FINITE = 1.1


@dataclasses.dataclass(frozen=True)
class Crossing:
    """Where the chance is reached for good.

    Attributes
    ----------
    interval
        Value and bounds. A bound is NaN where the data rule nothing out up to their end.
    from_lowest
        Already at the lowest x: the value is that x, and stands for "at most".
    never
        Not even at the highest x, as far as can be told: the value is NaN.
    x, share
        All points, ascending, and their shares of hits: monotone up to the highest stretch proven
        below the chance, and monotone from there on.
    """

    interval: Interval
    from_lowest: bool
    never: bool
    x: Array
    share: Array


def critical(confidence: float) -> float:
    """Return the quantile of twice the log likelihood ratio at a confidence."""
    at, known = -math.log1p(-confidence), -np.log1p(-_CONFIDENCE)
    if confidence > _CONFIDENCE[-1]:
        slope = (_CRITICAL[-1] - _CRITICAL[-2]) / (known[-1] - known[-2])
        return float(_CRITICAL[-1] + slope * (at - known[-1]))
    return float(np.interp(at, known, _CRITICAL))


def _pooled(x: ArrayLike, hits: ArrayLike, bin_width: float) -> tuple[Array, Array, Array]:
    at, got = np.asarray(x, dtype=np.float64).ravel(), np.asarray(hits, dtype=np.float64).ravel()
    keep = np.isfinite(at) & np.isfinite(got)
    at, got = at[keep], got[keep]
    _, where = np.unique(np.round(at / bin_width), return_inverse=True)
    of = np.bincount(where).astype(np.float64)
    hit = np.asarray(np.bincount(where, weights=got), dtype=np.float64)
    return np.bincount(where, weights=at) / of, hit, of


def _last_proven_below(hits: Array, trials: Array, chance: float) -> int:
    """Return where the highest stretch begins whose share is proven below `chance`; 0 if none."""
    got, of = (np.concatenate([[0.0], np.cumsum(part)]) for part in (hits, trials))
    for first in np.flatnonzero(hits < trials)[::-1]:
        k, n = got[first + 1 :] - got[first], of[first + 1 :] - of[first]
        below = k < chance * n
        ratio = special.xlogy(k, k / n / chance) + special.xlogy(n - k, (1 - k / n) / (1 - chance))
        if (below & (ratio > _PROVEN)).any():
            return int(first)
    return 0


def _monotone(hits: Array, trials: Array) -> Array:
    if hits.size == 0:
        return hits
    return np.asarray(isotonic_regression(hits / trials, weights=trials).x)


def _height(hits: Array, trials: Array, share: Array) -> float:
    return float((special.xlogy(hits, share) + special.xlog1py(trials - hits, -share)).sum())


def crossing(
    x: ArrayLike,
    hits: ArrayLike,
    chance: float,
    confidence: float = 0.95,
    *,
    bin_width: float = 1e-4,
) -> Crossing | None:
    """Return from which x on `chance` is reached for good.

    The value is the middle of the gap between the two points at which monotone shares pass the
    chance; the bounds hold every place that a likelihood ratio of monotone shares, with and
    without passing the chance there, does not rule out.

    Parameters
    ----------
    x, hits
        Magnitude of each trial, and whether it hit, shape (n,). What is not finite is left out.
    chance
        Demanded, inside (0, 1).
    confidence
        Of the interval.
    bin_width
        Points nearer to each other than about this are one, in units of x.

    Returns
    -------
    Crossing or None
        None without any trial.
    """
    at, got, of = _pooled(x, hits, bin_width)
    if at.size == 0:
        return None
    start = _last_proven_below(got, of, chance)
    all_x, before = at, _monotone(got[:start], of[:start])
    at, got, of = at[start:], got[start:], of[start:]
    free = _monotone(got, of)
    top = _height(got, of, free)
    limit = _FINITE * critical(confidence)

    def excess(split: int) -> float:
        """Twice the log likelihood ratio of shares that pass the chance just below `split`."""
        low = np.minimum(_monotone(got[:split], of[:split]), chance)
        high = np.maximum(_monotone(got[split:], of[split:]), chance)
        return 2 * (top - _height(got, of, np.concatenate([low, high]))) - limit

    # Monotone shares pass the chance between two points, or lie on it between two others.
    first = int(np.searchsorted(free, chance - _SAME))
    last = int(np.searchsorted(free, chance + _SAME, side="right"))
    low_split = _outermost(excess, first, 0)
    high_split = _outermost(excess, last, at.size)
    from_lowest, never = first == 0 and start == 0, first == at.size
    if high_split == at.size and not never:
        never = _plateau_below(x, hits, chance, bin_width)
    middle = (_between(at, first) + _between(at, last if last < at.size else first)) / 2
    value = math.nan if never else float(at[0]) if from_lowest else middle
    low = float(at[low_split - 1]) if low_split > 0 else math.nan
    high = float(at[high_split]) if high_split < at.size else math.nan
    found = Interval(value, low, high, METHOD)
    return Crossing(found, from_lowest, never, all_x, np.concatenate([before, free]))


def _plateau_below(x: ArrayLike, hits: ArrayLike, chance: float, bin_width: float) -> bool:
    """Say whether a logistic curve with a lapse ends below `chance`.

    Monotone shares end at 1 whenever the last few trials are hits, on a plateau of 0.9 too.
    """
    got = np.asarray(hits, dtype=np.float64)
    fit = fit_curve(x, got, np.ones(got.size), width_least=5 * bin_width, bin_width=bin_width)
    return fit is not None and not math.isfinite(fit.at(chance))


def _between(x: Array, split: int) -> float:
    """Return the middle between the points below and above a split; at an end, the point there."""
    return float((x[max(split - 1, 0)] + x[min(split, x.size - 1)]) / 2)


def _outermost(excess: Callable[[int], float], inside: int, end: int) -> int:
    """Return the split farthest towards `end` that is not ruled out.

    The ratio grows on the way but for single points, so it is sought by halving.
    """
    if excess(end) <= 0:
        return end
    outside = end
    while abs(outside - inside) > 1:
        middle = (inside + outside) // 2
        if excess(middle) <= 0:
            inside = middle
        else:
            outside = middle
    return inside
