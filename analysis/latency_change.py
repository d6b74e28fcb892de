"""Whether latencies are distributed otherwise than before, in whatever way that may be."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import stats

LEAST_COUNT = 20
"""Latencies a side; fewer tell nothing of a distribution."""


class Unlike(NamedTuple):
    """Largest distance between the two empirical distributions, and its chance where none is."""

    distance: float
    p: float


def unlike_distributions(before: npt.ArrayLike, after: npt.ArrayLike) -> Unlike:
    """Compare two samples' distributions by their largest distance.

    Parameters
    ----------
    before, after
        Shapes (n,) and (m,), in one unit. NaN is left out; an empty side gives NaN for both.

    Notes
    -----
    Kolmogorov and Smirnov's two-sample test, exact up to 10,000 values a side (scipy). It takes
    the values as drawn from a continuous distribution; ties make it cautious.
    """
    x, y = (np.asarray(side, dtype=float) for side in (before, after))
    x, y = x[np.isfinite(x)], y[np.isfinite(y)]
    if not x.size or not y.size:
        return Unlike(float("nan"), float("nan"))
    found = stats.ks_2samp(x, y)
    return Unlike(float(found.statistic), float(found.pvalue))


def change_note(
    before_s: npt.ArrayLike, after_s: npt.ArrayLike, risk: float, verdicts: set[str]
) -> str:
    """Say that latencies changed where no figure of theirs does; empty otherwise.

    Parameters
    ----------
    before_s, after_s
        Latencies, shapes (n,) and (m,).
    risk
        Chance at most of saying so where nothing changed.
    verdicts
        Of the measures of latency that were compared: worse or better says it already. None:
        nobody asked.
    """
    x, y = (np.asarray(side, dtype=float) for side in (before_s, after_s))
    counts = [int(np.isfinite(side).sum()) for side in (x, y)]
    if min(counts) < LEAST_COUNT or not verdicts or verdicts & {"worse", "better"}:
        return ""
    distance, p = unlike_distributions(x, y)
    if p > risk:
        return ""
    chance = f"{p:.1g}" if p >= 1e-4 else "below 0.0001"
    return (
        f"latencies are distributed otherwise than before (the two curves of their shares are up "
        f"to {100 * distance:.0f} % apart; chance of that without a change {chance}), which the "
        "compared figures of latency do not show. See the latency pictures of both reports"
    )
