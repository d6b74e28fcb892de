"""How many further strokes would take a measure's interval off its limit."""

from __future__ import annotations

import math

from scipy import stats

from analysis import interval
from analysis.measure import Measure

_MOST_STROKES = 10_000_000  # beyond this no one strikes on


def _further_for_share(measure: Measure, bound: float, *, at_most: bool) -> int | None:
    """Return how many further strokes make the exact interval of the same share clear the bound."""
    share = measure.value / 100

    def clears(count: int) -> bool:
        found = interval.share(round(share * count), count, measure.confidence)
        low, high = 100 * found.low, 100 * found.high
        return (high <= bound or low > bound) if at_most else (low >= bound or high < bound)

    above = max(measure.count, 1)
    while not clears(above):
        above *= 2
        if above > _MOST_STROKES:
            return None
    below = above // 2
    while above - below > 1:
        middle = (above + below) // 2
        above, below = (middle, below) if clears(middle) else (above, middle)
    return max(above - measure.count, 1)


def _further_for_rate(measure: Measure, bound: float) -> int | None:
    """Return how many further seconds make the exact interval of the same rate clear the bound."""
    events, observed_s = int(measure.details["events"]), float(measure.details["observed_s"])
    if not observed_s > 0.0:
        return None

    def clears(seconds: float) -> bool:
        same = round(events * seconds / observed_s)
        found = interval.event_rate(same, seconds / 3600.0, measure.confidence)
        return found.high <= bound or found.low > bound

    above = observed_s
    while not clears(above):
        above *= 1.05
        if above > _MOST_STROKES:
            return None
    return max(math.ceil(above - observed_s), 1)


def further_strokes(measure: Measure, bound: float, *, at_most: bool) -> int | None:
    """Return about how many further strokes would take the interval off the bound.

    Of a stray rate seconds, of a noise floor blocks: what its count is of. Shares and rates: exact
    search at what was seen. Others: the sampling half width on the side of the
    bound shrinks with the root of the count, a systematic part (``details["systematic"]``) does
    not. ``None`` where the value lies on the bound, or the systematic part alone reaches it.
    """
    if not math.isfinite(measure.value) or measure.count < 1:
        return None
    if measure.unit == "percent":
        return _further_for_share(measure, bound, at_most=at_most)
    if measure.unit == "per_h" and "observed_s" in measure.details:
        return _further_for_rate(measure, bound)
    least = int(measure.details.get("least_count", 0))
    if measure.count < least:
        return least - measure.count
    distance = abs(bound - measure.value)
    side = measure.high if bound > measure.value else measure.low
    half = abs(side - measure.value)
    shared = float(measure.details.get("systematic", 0.0))
    shared = shared if math.isfinite(shared) else 0.0
    shared *= float(stats.norm.ppf((1 + measure.confidence) / 2))
    if bound < measure.value:
        # what notes may be late by is all below, and stays
        late = float(measure.details.get("late_at_most", 0.0))
        half, distance = half - late, max(distance - late, 0.0)
    room = distance**2 - shared**2
    sampling = half**2 - shared**2
    if not math.isfinite(half) or room <= 0 or sampling <= 0:
        return None
    wanted = math.ceil(measure.count * sampling / room)
    return max(wanted - measure.count, 1) if wanted <= _MOST_STROKES else None
