"""A rising curve of a chance over a magnitude, and the magnitude at a demanded chance.

The curve is ``P(x) = guess + (1 - guess - lapse) * logistic(slope * (x - midpoint))``. It is fitted
by maximum likelihood; the interval of a threshold is that of the profile likelihood (the slope and
the lapse are fitted anew for each threshold tried), which stays finite and covers the bracket when
misses and hits do not overlap.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special, stats

from analysis.interval import Interval

Array = NDArray[np.float64]

_TINY = 1e-12
PROFILE = "profile likelihood"


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


def _slopes_of_rise(
    z: Array, lapse: float, guess: float, hits: Array, trials: Array
) -> tuple[float, Array, float]:
    """Return log likelihood, its slope per z of each point, and its slope per lapse."""
    rise, fall = special.expit(z), special.expit(-z)
    hit = np.maximum(guess + (1 - guess - lapse) * rise, _TINY)
    miss = np.maximum(lapse * rise + (1 - guess) * fall, _TINY)
    value = float((hits * np.log(hit) + (trials - hits) * np.log(miss)).sum())
    pull = hits / hit - (trials - hits) / miss
    return value, pull * (1 - guess - lapse) * rise * fall, float(-(pull * rise).sum())


def _minimise(
    cost: Callable[[Array], tuple[float, Array]], start: Array, bounds: list[tuple[float, float]]
) -> tuple[Array, float]:
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
        value, per_z, per_lapse = _slopes_of_rise(slope * (at - theta[0]), theta[2], guess, got, of)
        return -value, -np.array(
            [-slope * per_z.sum(), (per_z * slope * (at - theta[0])).sum(), per_lapse]
        )

    bounds = [
        (float(at[0]) - 3 * span, float(at[-1]) + 3 * span),
        (math.log(slope_range[0]), math.log(slope_range[1])),
        (0.0, lapse_most),
    ]
    theta, _ = _minimise(cost, np.array([middles[i], math.log(slopes[j]), lapses[k]]), bounds)
    return made(float(theta[0]), math.exp(theta[1]), float(theta[2]))


def _height_through(fit: CurveFit, chance: float, threshold: float) -> float:
    """Return the log likelihood of the best curve that has `chance` at `threshold`."""
    guess = fit.guess
    lapse_most = min(fit.lapse_most, (1 - chance) * (1 - 1e-6))

    def cost(theta: Array) -> tuple[float, Array]:
        slope, lapse = math.exp(theta[0]), theta[1]
        scale = 1 - guess - lapse
        inner = (chance - guess) / scale
        offset = float(special.logit(inner))
        away = slope * (fit.x - threshold)
        value, per_z, per_lapse = _slopes_of_rise(away + offset, lapse, guess, fit.hits, fit.trials)
        turn = 1 / (scale * (1 - inner))  # d offset / d lapse
        return -value, -np.array([(per_z * away).sum(), per_lapse + turn * per_z.sum()])

    bounds = [(math.log(fit.slope_range[0]), math.log(fit.slope_range[1])), (0.0, lapse_most)]
    tries = [(math.log(fit.slope), min(fit.lapse, lapse_most))] + [
        (float(part), lapse)
        for part in np.linspace(*bounds[0], 6)
        for lapse in (0.0, lapse_most / 2, lapse_most * 0.99)
    ]
    start = min((np.array(pair) for pair in tries), key=lambda theta: cost(theta)[0])
    return -_minimise(cost, start, bounds)[1]


def _height_with_lapse(fit: CurveFit, lapse: float) -> float:
    """Return the log likelihood of the best curve with this lapse."""

    def cost(theta: Array) -> tuple[float, Array]:
        slope = math.exp(theta[1])
        away = slope * (fit.x - theta[0])
        value, per_z, _ = _slopes_of_rise(away, lapse, fit.guess, fit.hits, fit.trials)
        return -value, -np.array([-slope * per_z.sum(), (per_z * away).sum()])

    span = float(fit.x[-1] - fit.x[0])
    bounds = [
        (float(fit.x[0]) - 3 * span, float(fit.x[-1]) + 3 * span),
        (math.log(fit.slope_range[0]), math.log(fit.slope_range[1])),
    ]
    return -_minimise(cost, np.array([fit.midpoint, math.log(fit.slope)]), bounds)[1]


def threshold(fit: CurveFit, chance: float, confidence: float = 0.95) -> Interval:
    """Return the x at which the curve reaches `chance`, with its profile likelihood interval.

    The value is NaN where the fitted curve never reaches the chance (its lapse is larger). The
    upper bound is NaN where the data do not rule out such a lapse; either bound is NaN where they
    rule nothing out within one span of x beyond what was tried.
    """
    drop = float(stats.chi2.ppf(confidence, 1)) / 2
    span = float(fit.x[-1] - fit.x[0])
    lowest, highest = float(fit.x[0]) - span, float(fit.x[-1]) + span

    def excess(at: float) -> float:
        return fit.log_likelihood - _height_through(fit, chance, at) - drop

    value = centre = fit.at(chance)
    if not math.isfinite(value):
        # The best curve never gets there; does any curve that the data allow?
        grid = np.linspace(lowest, highest, 41)
        heights = [excess(float(at)) for at in grid]
        centre = float(grid[int(np.argmin(heights))])
        if min(heights) > 0:
            return Interval(math.nan, math.nan, math.nan, PROFILE)
    low = _crossing(excess, centre, -1.0, drop, span, lowest, highest)
    never = fit.lapse_most >= 1 - chance and (
        not math.isfinite(value) or fit.log_likelihood - _height_with_lapse(fit, 1 - chance) <= drop
    )
    high = math.nan if never else _crossing(excess, centre, 1.0, drop, span, lowest, highest)
    if fit.separated:  # nothing tells one place within the bracket from another
        low = min(low, float(fit.x[fit.hits < fit.trials].max()))
        high = max(high, float(fit.x[fit.hits > 0].min()))
    return Interval(value, low, high, PROFILE)


def _crossing(
    excess: Callable[[float], float],
    centre: float,
    sign: float,
    drop: float,
    span: float,
    lowest: float,
    highest: float,
) -> float:
    """Return where `excess` turns positive, going from `centre` in the direction `sign`.

    The likelihood falls nearly as a parabola, so its root is nearly straight; regula falsi (with
    the Illinois halving) on that root takes few steps.
    """

    def straight(at: float) -> float:
        value = excess(at)
        return math.sqrt(max(value + drop, 0.0)) - math.sqrt(drop)

    inside, step, left = centre, span * 0.02, -math.sqrt(drop)
    while lowest <= inside <= highest:
        outside = inside + sign * step
        right = straight(outside)
        if right > 0:
            break
        inside, step, left = outside, step * 2, right
    else:
        return math.nan
    weight_left = weight_right = 1.0
    for _ in range(60):
        low, high = left * weight_left, right * weight_right
        share = min(max(-low / (high - low), 0.02), 0.98)
        middle = inside + share * (outside - inside)
        value = straight(middle)
        if abs(outside - inside) < span * 1e-4 or abs(value) < 1e-3:
            return middle
        if value > 0:
            outside, right, weight_right = middle, value, 1.0
            weight_left /= 2
        else:
            inside, left, weight_left = middle, value, 1.0
            weight_right /= 2
    return (inside + outside) / 2
