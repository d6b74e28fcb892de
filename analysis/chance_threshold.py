"""The magnitude at which a curve of a chance reaches a demanded chance.

Its interval is that of the profile likelihood (the slope and the lapse are fitted anew for each
threshold tried), which stays finite and covers the bracket when misses and hits do not overlap.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from analysis.interval import Interval
from analysis.psychometric import CurveFit, minimise, slopes_of_rise

Array = NDArray[np.float64]

PROFILE = "profile likelihood"


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
        value, per_z, per_lapse = slopes_of_rise(away + offset, lapse, guess, fit.hits, fit.trials)
        turn = 1 / (scale * (1 - inner))  # d offset / d lapse
        return -value, -np.array([(per_z * away).sum(), per_lapse + turn * per_z.sum()])

    bounds = [(math.log(fit.slope_range[0]), math.log(fit.slope_range[1])), (0.0, lapse_most)]
    tries = [(math.log(fit.slope), min(fit.lapse, lapse_most))] + [
        (float(part), lapse)
        for part in np.linspace(*bounds[0], 6)
        for lapse in (0.0, lapse_most / 2, lapse_most * 0.99)
    ]
    start = min((np.array(pair) for pair in tries), key=lambda theta: cost(theta)[0])
    return -minimise(cost, start, bounds)[1]


def _height_with_lapse(fit: CurveFit, lapse: float) -> float:
    """Return the log likelihood of the best curve with this lapse."""

    def cost(theta: Array) -> tuple[float, Array]:
        slope = math.exp(theta[1])
        away = slope * (fit.x - theta[0])
        value, per_z, _ = slopes_of_rise(away, lapse, fit.guess, fit.hits, fit.trials)
        return -value, -np.array([-slope * per_z.sum(), (per_z * away).sum()])

    span = float(fit.x[-1] - fit.x[0])
    bounds = [
        (float(fit.x[0]) - 3 * span, float(fit.x[-1]) + 3 * span),
        (math.log(fit.slope_range[0]), math.log(fit.slope_range[1])),
    ]
    return -minimise(cost, np.array([fit.midpoint, math.log(fit.slope)]), bounds)[1]
