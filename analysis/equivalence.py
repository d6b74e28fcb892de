"""Differences between two samples, with intervals, and whether they are shown, or shown small.

Each function compares *after* with *before* and returns a :class:`Difference` (after - before).
Equivalence is two one-sided tests: at risk alpha it holds when the interval of confidence
1 - 2 alpha lies inside the margins (Schuirmann 1987, from memory), so both intervals are given.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from analysis.interval import finite

Array = NDArray[np.float64]


class Difference(NamedTuple):
    """After - before. NaN where there is too little to tell.

    ``low``..``high`` holds at the confidence asked for; ``low_tost``..``high_tost`` at twice its
    risk, for equivalence; ``p_more`` and ``p_less`` are one-sided, against no difference.
    """

    value: float
    low: float
    high: float
    low_tost: float
    high_tost: float
    p_more: float
    p_less: float
    standard_error: float
    method: str

    def within(self, margin: float) -> bool:
        """Whether the difference is shown to be smaller than ``margin`` either way.

        An open interval shows nothing, whatever the tests at their level say.
        """
        bounded = math.isfinite(self.low) and math.isfinite(self.high)
        return bounded and bool(-margin < self.low_tost and self.high_tost < margin)


def nothing(method: str) -> Difference:
    """Return a difference of which nothing can be told."""
    nan = math.nan
    return Difference(nan, nan, nan, nan, nan, nan, nan, nan, method)


def holm(p_values: ArrayLike) -> Array:
    """Adjust p values of several tests so that the risk of any false one is kept (Holm 1979).

    NaN (a test that could not be made) counts as 1.
    """
    p = np.where(np.isnan(np.asarray(p_values, dtype=float)), 1.0, p_values).astype(float)
    order = np.argsort(p, kind="stable")
    stepped = np.maximum.accumulate(p[order] * np.arange(p.size, 0, -1))
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(stepped, 1.0)
    return adjusted


def _wilson(hits: Array, trials: Array, z: float) -> tuple[Array, Array]:
    share = hits / trials
    centre = share + z**2 / (2.0 * trials)
    half = z * np.sqrt(share * (1.0 - share) / trials + z**2 / (4.0 * trials**2))
    return (centre - half) / (1.0 + z**2 / trials), (centre + half) / (1.0 + z**2 / trials)


def newcombe(
    hits_before: ArrayLike,
    trials_before: ArrayLike,
    hits_after: ArrayLike,
    trials_after: ArrayLike,
    confidence: float = 0.95,
) -> tuple[Array, Array]:
    """Bounds of the difference of two shares, after - before, as fractions; arrays broadcast.

    Newcombe 1998, Statistics in Medicine 17:873, method 10 (hybrid of Wilson scores). No trials:
    NaN.
    """
    z = float(stats.norm.ppf(0.5 + confidence / 2.0))
    with np.errstate(invalid="ignore", divide="ignore"):
        k1, n1, k2, n2 = (
            np.asarray(x, dtype=float)
            for x in (hits_before, trials_before, hits_after, trials_after)
        )
        low1, high1 = _wilson(k1, n1, z)
        low2, high2 = _wilson(k2, n2, z)
        p1, p2 = k1 / n1, k2 / n2
        low = p2 - p1 - np.sqrt((p2 - low2) ** 2 + (high1 - p1) ** 2)
        high = p2 - p1 + np.sqrt((high2 - p2) ** 2 + (p1 - low1) ** 2)
    return low, high


def of_shares(
    hits_before: int,
    trials_before: int,
    hits_after: int,
    trials_after: int,
    confidence: float = 0.95,
) -> Difference:
    """Compare two shares, as fractions: Newcombe's interval, Fisher's exact test."""
    name = "Newcombe interval, Fisher exact test"
    if trials_before < 1 or trials_after < 1:
        return nothing(name)
    counts = (hits_before, trials_before, hits_after, trials_after)
    low, high = newcombe(*counts, confidence)
    low_tost, high_tost = newcombe(*counts, 2.0 * confidence - 1.0)
    all_hits, all_trials = hits_before + hits_after, trials_before + trials_after
    drawn = stats.hypergeom(all_trials, all_hits, trials_after)
    p1, p2 = hits_before / trials_before, hits_after / trials_after
    error = math.sqrt(p1 * (1 - p1) / trials_before + p2 * (1 - p2) / trials_after)
    return Difference(
        value=p2 - p1,
        low=float(low),
        high=float(high),
        low_tost=float(low_tost),
        high_tost=float(high_tost),
        p_more=float(drawn.sf(hits_after - 1)),
        p_less=float(drawn.cdf(hits_after)),
        standard_error=error,
        method=name,
    )


def of_means(
    before: ArrayLike,
    after: ArrayLike,
    confidence: float = 0.95,
    *,
    pairing: Literal["none", "paired"] = "none",
    step: float = 0.0,
) -> Difference:
    """Compare two means by Student's t: paired, or Welch's for unequal variances.

    Paired samples must be of one length; a pair with a value that is not finite is left out.
    Fewer than two values give NaN. Where values are whole ``step``, a variance is at least that of
    rounding, step²/12: a few that happen to be equal are no proof that all would be.
    """
    least = step**2 / 12.0
    x, y = np.asarray(before, dtype=float).ravel(), np.asarray(after, dtype=float).ravel()
    if pairing == "paired":
        name = "paired t"
        change = finite(y - x)
        n = change.size
        if n < 2:
            return nothing(name)
        value, error, freedom = (
            change.mean(),
            math.sqrt(max(change.var(ddof=1), 2.0 * least) / n),
            n - 1.0,
        )
    else:
        name = "Welch t"
        x, y = finite(x), finite(y)
        if min(x.size, y.size) < 2:
            return nothing(name)
        vx, vy = (max(side.var(ddof=1), least) / side.size for side in (x, y))
        value, error = y.mean() - x.mean(), math.sqrt(vx + vy)
        freedom = math.inf
        if error > 0.0:
            freedom = (vx + vy) ** 2 / (vx**2 / (x.size - 1) + vy**2 / (y.size - 1))
    return studentised(float(value), float(error), float(freedom), confidence, name)


def studentised(
    value: float, error: float, freedom: float, confidence: float, name: str
) -> Difference:
    """Give a difference by its standard error and Student's t; an error of 0 is taken as it is."""
    half = float(stats.t.ppf(0.5 + confidence / 2.0, freedom)) * error
    half_tost = float(stats.t.ppf(confidence, freedom)) * error
    if error > 0.0:
        p_more = float(stats.t.sf(value / error, freedom))
    else:
        p_more = 0.5 if value == 0.0 else float(value < 0.0)
    return Difference(
        value,
        value - half,
        value + half,
        value - half_tost,
        value + half_tost,
        p_more,
        1.0 - p_more,
        error,
        name,
    )


def bootstrap_error(
    sample: ArrayLike,
    statistic: Callable[[Array], Array],
    *,
    resamples: int = 300,
    seed: int = 1,
) -> float:
    """Return the standard error of a statistic by resampling rows (Efron 1979).

    Parameters
    ----------
    sample
        Rows are the units: shape (n,) or (n, columns).
    statistic
        Maps resamples, shape (resamples, n) or (resamples, n, columns), to (resamples,).
    resamples, seed
        How many, and the seed of the draws.
    """
    rows = np.asarray(sample, dtype=float)
    if len(rows) < 2:
        return math.nan
    rng = np.random.default_rng(seed)
    drawn = rows[rng.integers(0, len(rows), (resamples, len(rows)))]
    return float(np.std(statistic(drawn), ddof=1))


def of_statistics(
    before: ArrayLike,
    after: ArrayLike,
    statistic: Callable[[Array], Array],
    confidence: float = 0.95,
    *,
    seed: int = 1,
) -> Difference:
    """Compare any statistic of two samples by bootstrap standard errors, taken as normal.

    ``statistic`` works along axis 1. Values not finite are left out; fewer than 20 on a side give
    NaN, since resampling so few says little.
    """
    name = "bootstrap standard error, normal"
    x, y = finite(before), finite(after)
    if min(x.size, y.size) < 20:
        return nothing(name)
    value = float(statistic(y[None, :])[0] - statistic(x[None, :])[0])
    error = math.hypot(
        bootstrap_error(x, statistic, seed=seed), bootstrap_error(y, statistic, seed=seed + 1)
    )
    return studentised(value, error, math.inf, confidence, name)


def of_quantiles(
    before: ArrayLike, after: ArrayLike, p: float, confidence: float = 0.95
) -> Difference:
    """Compare one quantile of two samples.

    Its standard error is that of the bootstrap, taken to its limit in closed form (Maritz and
    Jarrett 1978). Values not finite are left out; fewer than 20 on a side give NaN.
    """
    name = "bootstrap standard error (Maritz-Jarrett), normal"
    x, y = finite(before), finite(after)
    if min(x.size, y.size) < 20:
        return nothing(name)
    value = float(np.quantile(y, p) - np.quantile(x, p))
    # about the median, where squares take nothing from the spread
    errors = [float(stats.mstats.mjci(one - np.median(one), [p])[0]) for one in (x, y)]
    return studentised(value, math.hypot(*errors), math.inf, confidence, name)


def equivalence_p(difference: Difference, margin: float, freedom: float = math.inf) -> float:
    """Return the p value of two one-sided tests of a difference of means against ±margin."""
    if not difference.standard_error > 0.0:
        return math.nan
    below = (difference.value + margin) / difference.standard_error
    above = (difference.value - margin) / difference.standard_error
    return max(float(stats.t.sf(below, freedom)), float(stats.t.cdf(above, freedom)))
