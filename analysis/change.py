"""The change of one measure from the strokes before to those after."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pandas as pd
from scipy import stats

from analysis import equivalence, power
from analysis.cell_means import of_cell_means
from analysis.cells import LEAST_IN_CELLS, aligned, in_cells
from analysis.crosstalk_change import of_crosstalk
from analysis.equivalence import Array, Difference
from analysis.interval import finite
from analysis.rank_shift import of_places


def _spread(rows: Array) -> Array:
    return np.asarray(rows.std(axis=1, ddof=1), dtype=float)


def _median(values: Array) -> float:
    return float(np.median(values)) if values.size else math.nan


def share_counts(table: pd.DataFrame, name: str) -> tuple[int, int]:
    """Count events and trials: lost or crossed of all struck, doubles of all that sounded."""
    outcome = table["outcome"]
    if name in ("lost_share", "crosstalk_share"):
        struck, bad = outcome.isin(["clean", "lost", "double"]), outcome == "lost"
        if name == "crosstalk_share":
            # of pooled runs one may have no further zone
            struck, bad = struck & table["crossed"].notna(), table["crossed"].eq(True)
        return int((struck & bad).sum()), int(struck.sum())
    return int((outcome == "double").sum()), int(outcome.isin(["clean", "double"]).sum())


def usable(table: pd.DataFrame) -> pd.DataFrame:
    """Leave out invalid rows, onsets that no strike explains, and velocities of lost strokes."""
    rows = table[table["valid"].astype(bool) & (table["strike"] >= 0)]
    return rows.assign(velocity=rows["velocity"].where(rows["velocity"] >= 0))


def in_percent(share: Difference) -> Difference:
    """Give a difference of shares in percent."""
    return share._replace(
        value=100.0 * share.value,
        low=100.0 * share.low,
        high=100.0 * share.high,
        low_tost=100.0 * share.low_tost,
        high_tost=100.0 * share.high_tost,
        standard_error=100.0 * share.standard_error,
    )


@dataclasses.dataclass(frozen=True)
class Change:
    """One measure before and after, in its unit, with its difference and the strokes behind it.

    ``events``: of a share, those counted before and after; ``shared_u``: standard uncertainty of
    the difference that no further strokes make less.
    """

    difference: Difference
    before: float
    after: float
    counts: tuple[int, int]
    events: tuple[int, int] | None = None
    shared_u: float = 0.0


def change_of(
    name: str, before: pd.DataFrame, after: pd.DataFrame, confidence: float, seed: int
) -> Change:
    """Give the change of one measure of :data:`analysis.compare.ASKED`.

    Parameters
    ----------
    name
        The measure.
    before, after
        Stroke tables, ``usable`` rows of them; with none of a side the values are NaN, and no
        verdict rests on them.
    confidence
        Of the interval.
    seed
        Of the resampling.
    """
    if name in ("lost_share", "double_share", "crosstalk_share"):
        (k1, n1), (k2, n2) = share_counts(before, name), share_counts(after, name)
        difference = in_percent(equivalence.of_shares(k1, n1, k2, n2, confidence))
        shares = [100.0 * k / n if n else math.nan for k, n in ((k1, n1), (k2, n2))]
        return Change(difference, shares[0], shares[1], (n1, n2), (k1, k2))
    if name == "crosstalk_level":
        crossed = of_crosstalk(before, after, confidence)
        return Change(
            crossed.difference, *crossed.medians_db, crossed.counts, shared_u=crossed.noise_u_db
        )
    column = "velocity" if name == "velocity" else "latency_s"
    scale = 1.0 if name == "velocity" else 1000.0
    x, y, *cells = in_cells(before, after, column, 1)
    medians, counts = (scale * _median(x), scale * _median(y)), (x.size, y.size)
    if name == "latency_median":
        # with few strokes the exact test of one cell
        within = (cells[0], cells[1]) if min(counts) >= LEAST_IN_CELLS else None
        places = of_places(scale * x, scale * y, confidence, within)
        return Change(places, *medians, counts)
    means = [float(v.mean()) if v.size else math.nan for v in (x, y)]
    if name == "velocity":
        # velocities are whole numbers: ranks of so many ties tell no shift between two of them
        shift = of_cell_means(x, y, (cells[0], cells[1]), confidence, step=1.0)
        return Change(shift, means[0], means[1], counts)
    x, y = (scale * side for side in aligned(before, after, column))
    if name == "latency_sd":
        difference = equivalence.of_statistics(x, y, _spread, confidence, seed=seed)
        values = [float(v.std(ddof=1)) if v.size > 1 else math.nan for v in (x, y)]
    else:
        x, y = (scale * finite(table[column]) for table in (before, after))
        difference = equivalence.of_quantiles(x, y, 0.95, confidence)
        values = [float(np.quantile(v, 0.95)) if v.size else math.nan for v in (x, y)]
    return Change(difference, values[0], values[1], counts)


def strokes_needed(change: Change, margin: float, risk: float, target: float) -> int:
    """Strokes a side that decide, with the margin's difference or none, in ``target`` cases.

    0: a side has too few to tell, or what strokes share leaves no room inside the margin.
    """
    n = min(change.counts)
    if n < 2:
        return 0
    if change.events is not None:
        # what may well be the share before: the upper bound that 80 % of runs keep
        z = float(stats.norm.ppf(0.8))
        share = (change.events[0] + z**2 / 2.0) / (change.counts[0] + z**2)
        high = min(0.99, share + z * math.sqrt(share * (1 - share) / (change.counts[0] + z**2)))
        rounded = float(f"{high:.2g}")
        planned = power.strokes_for_share(rounded, margin / 100.0, risk, target)
    elif math.isfinite(change.difference.standard_error):
        margin -= change.shared_u * float(stats.norm.isf(min(risk, 0.05)))
        if margin <= 0.0:
            return 0
        own = max(change.difference.standard_error**2 - change.shared_u**2, 0.0)
        deviation = math.sqrt(own / sum(1.0 / m for m in change.counts))
        deviation *= math.sqrt((n - 1) / stats.chi2.ppf(0.2, n - 1))
        planned = power.strokes_for_shift(deviation, margin, risk, target)
    else:
        planned = 4 * max(n, 5)
    # already struck so many, and the difference lies between none and the margin
    return planned if planned > n else 2 * n
