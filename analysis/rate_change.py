"""The difference of two rates of rare events, each over the time that was observed."""

from __future__ import annotations

import math

from scipy import stats

from analysis.equivalence import Difference, nothing

METHOD = "Newcombe interval of Poisson scores, exact conditional test"


def _scores(events: int, observed: float, z: float) -> tuple[float, float]:
    """Bounds of one rate by its score: where (events - rate observed)² = z² rate observed."""
    half = z * math.sqrt(events + z**2 / 4.0)
    return (events + z**2 / 2.0 - half) / observed, (events + z**2 / 2.0 + half) / observed


def of_rates(
    events_before: int,
    observed_before: float,
    events_after: int,
    observed_after: float,
    confidence: float = 0.95,
) -> Difference:
    """Compare two Poisson rates per unit of the time observed; none observed: NaN.

    Given all events, those after are binomial (Przyborowski and Wilenski 1940, Biometrika 31:313),
    an exact test. The interval is that of shares, Newcombe's, whose Wilson scores become Poisson
    scores where events are rare.
    """
    if not (observed_before > 0.0 and observed_after > 0.0):
        return nothing(METHOD)
    rates = events_before / observed_before, events_after / observed_after
    value = rates[1] - rates[0]
    bounds: list[float] = []
    for one_sided in (0.5 + confidence / 2.0, confidence):
        z = float(stats.norm.ppf(one_sided))
        before = _scores(events_before, observed_before, z)
        after = _scores(events_after, observed_after, z)
        bounds += [
            value - math.hypot(rates[1] - after[0], before[1] - rates[0]),
            value + math.hypot(after[1] - rates[1], rates[0] - before[0]),
        ]
    drawn = stats.binom(
        events_before + events_after, observed_after / (observed_before + observed_after)
    )
    error = math.hypot(
        math.sqrt(events_before) / observed_before, math.sqrt(events_after) / observed_after
    )
    return Difference(
        value=value,
        low=bounds[0],
        high=bounds[1],
        low_tost=bounds[2],
        high_tost=bounds[3],
        p_more=float(drawn.sf(events_after - 1)),
        p_less=float(drawn.cdf(events_after)),
        standard_error=error,
        method=METHOD,
    )


def seconds_needed(
    events_before: int, observed_s: tuple[float, float], margin_per_h: float, risk: float,
    target: float,
) -> int:  # fmt: skip
    """Give the time to observe on each side that decides, in ``target`` cases.

    By normal theory, if before events are as frequent as may well be (the upper bound that 80 % of
    runs keep): the greater of the times to see the margin, and to show no difference beyond it.
    """
    if not min(observed_s) > 0.0:
        return 0
    per_s = _scores(events_before, observed_s[0], float(stats.norm.ppf(0.8)))[1]
    margin = margin_per_h / 3600.0
    see = (stats.norm.isf(risk) + stats.norm.ppf(target)) ** 2 * (2.0 * per_s + margin)
    show_none = (stats.norm.isf(0.05) + stats.norm.ppf(0.5 + target / 2.0)) ** 2 * 2.0 * per_s
    planned = math.ceil(max(see, show_none) / margin**2)
    return planned if planned > min(observed_s) else math.ceil(2.0 * min(observed_s))
