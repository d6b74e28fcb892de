"""Intervals of shares, rates, quantiles, means and spreads, each with its method by name.

Every function returns an :class:`Interval`. Where the data are empty, not finite or too few, the
value or the bound that cannot be told is NaN; nothing here raises for want of data.
"""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special, stats

Array = NDArray[np.float64]


class Interval(NamedTuple):
    """A value, its bounds and the method of the bounds. NaN: cannot be told."""

    value: float
    low: float
    high: float
    method: str


def finite(values: ArrayLike) -> Array:
    """Return the finite values of `values`, flat, as float64."""
    flat = np.asarray(values, dtype=np.float64).ravel()
    return flat[np.isfinite(flat)]


def least(values: ArrayLike) -> float:
    """Return the least finite value; NaN if there is none."""
    known = finite(values)
    return float(known.min()) if known.size else math.nan


def share(
    hits: int,
    trials: int,
    confidence: float = 0.95,
    method: Literal["exact", "wilson"] = "exact",
) -> Interval:
    """Return the interval of a share, as a fraction.

    ``exact`` (Clopper and Pearson 1934, by quantiles of the beta distribution) never covers less
    than it says, and more where trials are few; ``wilson`` (Wilson 1927, score) is near nominal on
    average. No trials: NaN.
    """
    name = {"exact": "Clopper-Pearson exact", "wilson": "Wilson score"}[method]
    if trials <= 0 or not 0 <= hits <= trials:
        return Interval(math.nan, math.nan, math.nan, name)
    if method == "wilson":
        bounds = stats.binomtest(hits, trials).proportion_ci(confidence, method=method)
        return Interval(hits / trials, float(bounds.low), float(bounds.high), name)
    tail, missed = (1 - confidence) / 2, trials - hits
    low = float(special.betaincinv(hits, missed + 1, tail)) if hits else 0.0
    high = float(special.betainccinv(hits + 1, missed, tail)) if missed else 1.0
    return Interval(hits / trials, low, high, name)


def event_rate(events: int, observed: float, confidence: float = 0.95) -> Interval:
    """Return the interval of a rate of rare events, per unit of `observed` (Garwood 1936, exact).

    Conservative, as every exact interval of a count. No time observed: NaN.
    """
    name = "Poisson exact (Garwood)"
    if not observed > 0 or not math.isfinite(observed) or events < 0:
        return Interval(math.nan, math.nan, math.nan, name)
    tail = (1 - confidence) / 2
    low = float(stats.chi2.ppf(tail, 2 * events)) / 2 if events else 0.0
    high = float(stats.chi2.ppf(1 - tail, 2 * events + 2)) / 2
    return Interval(events / observed, low / observed, high / observed, name)


def least_count_of_quantile(p: float, confidence: float = 0.95) -> int:
    """Return the least number of values that bounds quantile `p` on both sides."""
    return math.ceil(math.log((1 - confidence) / 2) / math.log(max(p, 1 - p)))


def _lower_bound_of_quantile(ordered: Array, p: float, tail: float, *, interpolated: bool) -> float:
    """Return the lower bound at one-sided risk `tail` from ascending values."""
    n = ordered.size
    # miss[r]: chance that the r-th smallest value (from 1) lies above the quantile.
    miss = stats.binom.cdf(np.arange(n), n, p)
    r = int(np.searchsorted(miss, tail, side="right"))
    if r == 0:
        return math.nan
    if not interpolated or r >= n or miss[r - 1] == tail:
        return float(ordered[r - 1])
    odds = (r * (1 - p) * (miss[r] - tail)) / ((n - r) * p * (tail - miss[r - 1]))
    weight = 1 / (1 + odds)
    return float((1 - weight) * ordered[r - 1] + weight * ordered[r])


def quantile(
    values: ArrayLike, p: float, confidence: float = 0.95, *, interpolated: bool = True
) -> Interval:
    """Return the interval of quantile `p` by order statistics; no distribution is assumed.

    Parameters
    ----------
    values
        Any shape; what is not finite is left out.
    p
        Share of values below the quantile, inside (0, 1).
    confidence
        Of the interval.
    interpolated
        Exact bounds (binomial, conservative) are drawn between the two neighbouring order
        statistics so that the coverage comes near nominal: Hettmansperger and Sheather 1986 for
        the median, Nyblom 1992 for any quantile (formulas from memory; coverage is tested).

    Returns
    -------
    Interval
        A bound is NaN when there are too few values for it
        (see :func:`least_count_of_quantile`).
    """
    name = "order statistics, interpolated" if interpolated else "order statistics, exact"
    ordered = np.sort(finite(values))
    if ordered.size == 0:
        return Interval(math.nan, math.nan, math.nan, name)
    tail = (1 - confidence) / 2
    low = _lower_bound_of_quantile(ordered, p, tail, interpolated=interpolated)
    high = -_lower_bound_of_quantile(-ordered[::-1], 1 - p, tail, interpolated=interpolated)
    return Interval(float(np.quantile(ordered, p)), low, high, name)


def mean(values: ArrayLike, confidence: float = 0.95) -> Interval:
    """Return the mean with Student's interval; bounds are NaN below two values."""
    used = finite(values)
    if used.size == 0:
        return Interval(math.nan, math.nan, math.nan, "Student t")
    centre = float(used.mean())
    if used.size < 2:
        return Interval(centre, math.nan, math.nan, "Student t")
    error = float(used.std(ddof=1)) / math.sqrt(used.size)
    half = float(stats.t.ppf((1 + confidence) / 2, used.size - 1)) * error
    return Interval(centre, centre - half, centre + half, "Student t")


def sd_of_normal(sd: float, freedom: int, confidence: float = 0.95) -> Interval:
    """Return the interval of a standard deviation with `freedom` degrees, for normal values.

    Chi-square; right for normal values alone. Freedom below 1: NaN bounds.
    """
    if freedom < 1 or not math.isfinite(sd):
        return Interval(sd, math.nan, math.nan, "chi-square")
    tail = (1 - confidence) / 2
    low, high = np.sqrt(freedom / stats.chi2.ppf([1 - tail, tail], freedom))
    return Interval(sd, float(sd * low), float(sd * high), "chi-square")


def sd(values: ArrayLike, confidence: float = 0.95) -> Interval:
    """Return the standard deviation with an interval that holds for values that aren't normal.

    Bonett 2006 (Computational Statistics & Data Analysis 50:775, formula from memory): the
    variance of the log variance follows from a kurtosis about the trimmed mean. Latencies under a
    polling clock are nearly uniform, where the chi-square interval is far too wide. Bounds are NaN
    below five values.
    """
    name = "Bonett"
    used = finite(values)
    n = used.size
    if n < 2:
        return Interval(math.nan, math.nan, math.nan, name)
    spread = float(used.std(ddof=1))
    if n < 5:
        return Interval(spread, math.nan, math.nan, name)
    if spread == 0:
        return Interval(0.0, 0.0, 0.0, name)
    middle = float(stats.trim_mean(used, min(0.49, 0.5 / math.sqrt(n - 4))))
    squares = float(((used - used.mean()) ** 2).sum())
    kurtosis = n * float(((used - middle) ** 4).sum()) / squares**2
    z = float(stats.norm.ppf((1 + confidence) / 2))
    correction = n / (n - z)
    error = correction * math.sqrt(max(kurtosis - (n - 3) / n, 0.0) / (n - 1))
    centre = math.log(correction * spread**2)
    low, high = (math.sqrt(math.exp(centre + sign * z * error)) for sign in (-1, 1))
    return Interval(spread, low, high, name)


def with_systematic(
    sampling: Interval, standard_uncertainty: float, confidence: float = 0.95
) -> Interval:
    """Widen an interval by an uncertainty that all values share.

    Each half width becomes the root of the sum of its square and that of the expanded systematic
    uncertainty (normal), as in JCGM 100 (GUM) 5.1.2 for independent inputs. An uncertainty that
    isn't known (NaN) leaves the interval as it is and says so in the method.
    """
    if not math.isfinite(standard_uncertainty):
        return sampling._replace(method=f"{sampling.method}; timing uncertainty not known")
    extra = float(stats.norm.ppf((1 + confidence) / 2)) * standard_uncertainty
    low = sampling.value - math.hypot(sampling.value - sampling.low, extra)
    high = sampling.value + math.hypot(sampling.high - sampling.value, extra)
    return sampling._replace(
        low=low, high=high, method=f"{sampling.method} + systematic timing, in quadrature"
    )
