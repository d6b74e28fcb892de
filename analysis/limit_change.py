"""The difference of a figure that each run has once, with an interval of its own."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from scipy import stats

from analysis.change import Change
from analysis.equivalence import Difference
from analysis.measure import Measure

METHOD = "both intervals in quadrature"


class Side(NamedTuple):
    """The figure of one side: the mean of its runs'. An open end is infinite."""

    value: float
    low: float
    high: float
    trials: int


def side_of(runs: Sequence[Measure]) -> Side | str:
    """Take a side's figure from each of its runs; a sentence where there is none."""
    if not runs or not all(math.isfinite(one.value) for one in runs):
        return "a run does not tell it"
    ends = np.array([[_distance(one, up=False), _distance(one, up=True)] for one in runs])
    low, high = np.sqrt((ends**2).sum(axis=0)) / len(runs)
    value = float(np.mean([one.value for one in runs]))
    return Side(value, value - float(low), value + float(high), sum(one.count for one in runs))


def _distance(one: Measure, *, up: bool) -> float:
    """Give the distance of a bound; infinite where it is open, as the range struck leaves it."""
    open_up = one.details.get("direction", "at_least") == "at_least"
    bound = one.high if up else one.low
    if (one.bench_limited and up == open_up) or not math.isfinite(bound):
        return math.inf
    return max(0.0, bound - one.value if up else one.value - bound)


def of_limits(
    before: Sequence[Measure], after: Sequence[Measure], confidence: float
) -> Change | str:
    """Compare two figures with independent intervals; a sentence where that tells nothing.

    The distances to each side's bounds are added in quadrature (Zou and Donner 2008, Statistics in
    Medicine 27:1693, from memory); other levels of confidence scale them as of a normal figure.
    "At least" or "at most" on a side leaves an end of the difference open.

    Parameters
    ----------
    before, after
        The measure of each run of a side.
    confidence
        Of the interval.
    """
    sides = [side_of(before), side_of(after)]
    for side in sides:
        if isinstance(side, str):
            return side
    one, other = (side for side in sides if isinstance(side, Side))
    z = float(stats.norm.ppf(0.5 + confidence / 2.0))
    own = {float(stats.norm.ppf(0.5 + run.confidence / 2.0)) for run in (*before, *after)}
    if len(own) > 1:
        return "the runs' protocols ask for unlike confidence"
    scale = z / own.pop()
    down = scale * math.hypot(other.value - other.low, one.high - one.value)
    up = scale * math.hypot(other.high - other.value, one.value - one.low)
    if math.isinf(down) and math.isinf(up):
        return "both stand at an end of the range struck, or have no bound"
    if down == 0.0 or up == 0.0:
        return "a run gives it no interval"
    value = other.value - one.value
    # one-sided levels at which an end would come to lie at 0
    p_more = float(stats.norm.sf(z * value / down)) if math.isfinite(down) else 1.0
    p_less = float(stats.norm.cdf(z * value / up)) if math.isfinite(up) else 1.0
    tost = float(stats.norm.ppf(confidence)) / z
    difference = Difference(
        value, value - down, value + up, value - tost * down, value + tost * up, p_more, p_less,
        max(x for x in (down, up) if math.isfinite(x)) / z, METHOD,
    )  # fmt: skip
    return Change(difference, one.value, other.value, (one.trials, other.trials))
