"""What a median does not tell of latencies: that they spread widely, or fall in two groups."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import stats

Floats = npt.NDArray[np.float64]

LEAST_COUNT = 30
RARELY = 1e-3
"""Chance at most of calling one group two."""
MIDDLE_SHARE = 0.25
WIDE = 0.5
"""Spread of the middle 90 %, over the median, from which one figure tells little."""


def two_groups(values: Floats) -> tuple[Floats, Floats] | None:
    """Part values in two groups with a valley between; None where they are one.

    The best cut is the one with the least squares within. Of a single hump, an even spread or a
    long tail a quarter at least of what lies between the two groups' medians lies in the middle
    third of that way; fewer there is a valley, by an exact binomial test.
    """
    x = np.sort(np.asarray(values, dtype=float)[np.isfinite(values)])
    if x.size < LEAST_COUNT:
        return None
    n = np.arange(1, x.size)
    total, squares = np.cumsum(x)[:-1], np.cumsum(x**2)
    within = squares[-1] - total**2 / n - (x.sum() - total) ** 2 / (x.size - n)
    least = max(5, x.size // 20)
    cut = least + int(within[least - 1 : x.size - least].argmin())
    low, high = x[:cut], x[cut:]
    begin, end = float(np.median(low)), float(np.median(high))
    between = x[(x > begin) & (x < end)]
    third = (end - begin) / 3.0
    middle = int(((between > begin + third) & (between < end - third)).sum())
    if not between.size or stats.binom.cdf(middle, between.size, MIDDLE_SHARE) > RARELY:
        return None
    return low, high


def shape_note(latency_ms: Floats) -> str:
    """Say what the median hides; empty where it tells enough, or too few are known to say."""
    known = np.asarray(latency_ms, dtype=float)
    known = known[np.isfinite(known)]
    if known.size < LEAST_COUNT:
        return ""
    groups = two_groups(known)
    if groups is not None:
        low, high = groups
        return (
            f"Latencies fall in two groups: {low.size} near {np.median(low):.3g} ms and "
            f"{high.size} near {np.median(high):.3g} ms. No single figure is usual; the median's "
            "interval may reach from one group to the other."
        )
    least, most = np.quantile(known, [0.05, 0.95])
    if most - least > WIDE * np.median(known):
        return (
            f"Latencies spread widely: 90 % lie between {least:.3g} and {most:.3g} ms. No single "
            "figure is usual, and more strokes narrow the median's interval slowly."
        )
    return ""
