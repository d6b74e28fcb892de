"""Whether latencies are distributed otherwise than before, in whatever way that may be."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from analysis.cells import in_cells
from analysis.equivalence import Array

LEAST_COUNT = 20
"""Latencies a side; fewer tell nothing of a distribution."""
LEAST_CELL = 4
"""Strokes a side of a stage, striker and force, from which on ranks among them tell anything."""


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


def within_cells(before: pd.DataFrame, after: pd.DataFrame) -> tuple[Array, Array]:
    """Rank latencies of both sides among those of their cell: places in 0..1, shapes (n,) and (m,).

    Latency falls with force, so that a change of which strokes sounded would look like one of the
    latencies; ranks within a stage, striker and force are free of it. Strokes of cells with fewer
    than ``LEAST_CELL`` on a side are left out.
    """
    x, y, cell_x, cell_y = in_cells(before, after, "latency_s", LEAST_CELL)
    cell = np.concatenate([cell_x, cell_y])
    grouped = pd.Series(np.concatenate([x, y])).groupby(cell)
    place = ((grouped.rank() - 0.5) / grouped.transform("size")).to_numpy(dtype=float)
    place = np.where(cell < 0.0, np.nan, place)
    sides = place[: x.size], place[x.size :]
    return sides[0][np.isfinite(sides[0])], sides[1][np.isfinite(sides[1])]


def change_note(before: pd.DataFrame, after: pd.DataFrame, risk: float, verdicts: set[str]) -> str:
    """Say that latencies changed where no figure of theirs does; empty otherwise.

    Parameters
    ----------
    before, after
        Stroke tables; latencies of like strokes are compared, by their ranks.
    risk
        Chance at most of saying so where nothing changed.
    verdicts
        Of the measures of latency that were compared: worse or better says it already. None:
        nobody asked.
    """
    x, y = within_cells(before, after)
    if min(x.size, y.size) < LEAST_COUNT or not verdicts or verdicts & {"worse", "better"}:
        return ""
    distance, p = unlike_distributions(x, y)
    if p > risk:
        return ""
    chance = f"{p:.1g}" if p >= 1e-4 else "below 0.0001"
    return (
        f"latencies of strokes alike are distributed otherwise than before (the two curves of "
        f"their shares are up to {100 * distance:.0f} % apart; chance of that without a change "
        f"{chance}), which the compared figures of latency do not show. See the latency pictures "
        "of both reports"
    )
