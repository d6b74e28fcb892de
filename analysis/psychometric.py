"""A rising curve of a chance over a magnitude.

The curve is ``P(x) = guess + (1 - guess - lapse) * logistic(slope * (x - midpoint))``. It is fitted
by maximum likelihood.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special

Array = NDArray[np.float64]

_TINY = 1e-12


@dataclasses.dataclass(frozen=True)
class CurveFit:
    """A fitted curve and the data behind it.

    Attributes
    ----------
    midpoint, slope, lapse, guess
        Parameters; midpoint in units of x, slope in 1/x.
    log_likelihood
        Binomial, without its constant.
    separated
        No miss lies above a hit: the midpoint is then the middle of the bracket.
    x, hits, trials
        Data, x ascending and unique.
    """

    midpoint: float
    slope: float
    lapse: float
    guess: float
    log_likelihood: float
    separated: bool
    x: Array
    hits: Array
    trials: Array
    lapse_most: float
    slope_range: tuple[float, float]

    def chance(self, x: ArrayLike) -> Array:
        """Return the chance of a hit at `x`."""
        rise = special.expit(self.slope * (np.asarray(x, dtype=np.float64) - self.midpoint))
        return np.asarray(self.guess + (1 - self.guess - self.lapse) * rise)

    def at(self, chance: float) -> float:
        """Return the x at which the curve reaches `chance`; NaN if it never does."""
        inner = (chance - self.guess) / (1 - self.guess - self.lapse)
        if not 0 < inner < 1:
            return math.nan
        return self.midpoint + float(special.logit(inner)) / self.slope


def _pooled(x: ArrayLike, hits: ArrayLike, trials: ArrayLike, bin_width: float) -> list[Array]:
    """Return x, hits and trials, pooled over equal x (or over bins), ascending."""
    at, got, of = (np.asarray(a, dtype=np.float64).ravel() for a in (x, hits, trials))
    keep = np.isfinite(at) & np.isfinite(got) & (of > 0)
    at, got, of = at[keep], got[keep], of[keep]
    key = np.round(at / bin_width) if bin_width > 0 else at
    _, where = np.unique(key, return_inverse=True)
    total = np.bincount(where, weights=of)
    return [
        np.bincount(where, weights=at * of) / total,
        np.asarray(np.bincount(where, weights=got), dtype=np.float64),
        np.asarray(total, dtype=np.float64),
    ]


def _log_likelihood(
    rise: Array, lapse: ArrayLike, guess: float, hits: Array, trials: Array
) -> Array:
    """Return the log likelihood over the last axis of `rise` (logistic part of the curve)."""
    hit = guess + (1 - guess - np.asarray(lapse)) * rise
    miss = np.asarray(lapse) * rise + (1 - guess) * (1 - rise)
    terms = hits * np.log(np.maximum(hit, _TINY)) + (trials - hits) * np.log(
        np.maximum(miss, _TINY)
    )
    return np.asarray(terms.sum(axis=-1))


def slopes_of_rise(
    z: Array, lapse: float, guess: float, hits: Array, trials: Array
) -> tuple[float, Array, float]:
    """Return log likelihood, its slope per z of each point, and its slope per lapse."""
    rise, fall = special.expit(z), special.expit(-z)
    hit = np.maximum(guess + (1 - guess - lapse) * rise, _TINY)
    miss = np.maximum(lapse * rise + (1 - guess) * fall, _TINY)
    value = float((hits * np.log(hit) + (trials - hits) * np.log(miss)).sum())
    pull = hits / hit - (trials - hits) / miss
    return value, pull * (1 - guess - lapse) * rise * fall, float(-(pull * rise).sum())


def minimise(
    cost: Callable[[Array], tuple[float, Array]], start: Array, bounds: list[tuple[float, float]]
) -> tuple[Array, float]:
    """Return where a cost, given with its gradient, is least within bounds, and the cost there."""
    found = optimize.minimize(
        cost,
        start,
        jac=True,
        method="L-BFGS-B",
        bounds=bounds,
        options={"ftol": 1e-13, "gtol": 1e-8, "maxiter": 200},
    )
    return np.asarray(found.x), float(found.fun)


def fit_curve(
    x: ArrayLike,
    hits: ArrayLike,
    trials: ArrayLike,
    *,
    guess: float = 0.0,
    lapse_most: float = 0.2,
    width_least: float = 0.0,
    bin_width: float = 0.0,
) -> CurveFit | None:
    """Fit the curve by maximum likelihood.

    Parameters
    ----------
    x, hits, trials
        Magnitude, hits and trials of each point, shape (n,). Points with x not finite or without
        trials are left out.
    guess
        Chance of a hit at the lowest magnitude, fixed (0.5 with two alternatives).
    lapse_most
        Largest chance of a miss at the highest magnitude; 0 fixes it at none.
    width_least
        Least width of the rise from 5 % to 95 %, in units of x. It keeps the slope finite where
        misses and hits do not overlap.
    bin_width
        Points nearer to each other than this are pooled; 0 pools equal ones only.

    Returns
    -------
    CurveFit or None
        None without data, or where all trials are hits or all are misses: then no curve can be
        told, and the caller has to say what the range struck tells.
    """
    at, got, of = _pooled(x, hits, trials, bin_width)
    missed = of - got
    if at.size < 2 or got.sum() == 0 or missed.sum() == 0:
        return None
    span = float(at[-1] - at[0])
    width = max(width_least, span * 1e-4)
    slope_range = (0.01 / span, 2 * float(special.logit(0.95)) / width)
    highest_miss, lowest_hit = float(at[missed > 0].max()), float(at[got > 0].min())
    separated = guess == 0 and highest_miss < lowest_hit

    def made(midpoint: float, slope: float, lapse: float) -> CurveFit:
        value = _log_likelihood(special.expit(slope * (at - midpoint)), lapse, guess, got, of)
        return CurveFit(
            midpoint, slope, lapse, guess, float(value), separated, at, got, of, lapse_most,
            slope_range,
        )  # fmt: skip

    if separated:
        return made((highest_miss + lowest_hit) / 2, slope_range[1], 0.0)

    middles = (at[1:] + at[:-1]) / 2
    middles = middles[np.unique(np.linspace(0, middles.size - 1, 40).astype(int))]
    slopes = np.geomspace(max(1 / span, slope_range[0]), slope_range[1], 7)
    lapses = np.unique(np.array([0.0, min(0.01, lapse_most), lapse_most / 2]))
    rise = special.expit(slopes[None, :, None] * (at - middles[:, None, None]))
    table = _log_likelihood(rise[:, :, None, :], lapses[:, None], guess, got, of)
    # Where the likelihood is flat between two neighbouring points, take the middle of the ridge.
    best = np.argwhere(table >= table.max() - 1e-6)
    i, j, k = best[len(best) // 2]

    def cost(theta: Array) -> tuple[float, Array]:
        slope = math.exp(theta[1])
        value, per_z, per_lapse = slopes_of_rise(slope * (at - theta[0]), theta[2], guess, got, of)
        return -value, -np.array(
            [-slope * per_z.sum(), (per_z * slope * (at - theta[0])).sum(), per_lapse]
        )

    bounds = [
        (float(at[0]) - 3 * span, float(at[-1]) + 3 * span),
        (math.log(slope_range[0]), math.log(slope_range[1])),
        (0.0, lapse_most),
    ]
    theta, _ = minimise(cost, np.array([middles[i], math.log(slopes[j]), lapses[k]]), bounds)
    return made(float(theta[0]), math.exp(theta[1]), float(theta[2]))
