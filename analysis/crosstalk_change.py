"""How a build's crosstalk level differs from that of the build before."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pandas as pd
from scipy import stats

from analysis.cells import LEAST_IN_CELLS, in_cells
from analysis.equivalence import Array, Difference, nothing
from analysis.rank_shift import of_places


@dataclasses.dataclass(frozen=True, kw_only=True)
class CrosstalkChange:
    """Difference in dB; medians and numbers of strokes before and after.

    ``noise_u_db``: standard uncertainty of the difference by noise, in all strokes alike.
    """

    difference: Difference
    noise_u_db: float
    medians_db: tuple[float, float]
    counts: tuple[int, int]


def of_crosstalk(
    before: pd.DataFrame, after: pd.DataFrame, confidence: float = 0.95
) -> CrosstalkChange:
    """Compare the other zone's level over the struck one's, stroke by stroke.

    Parameters
    ----------
    before, after
        Stroke tables with the columns of :func:`analysis.crosstalk.with_crosstalk`.
    confidence
        Of the interval.

    Returns
    -------
    CrosstalkChange
        The Hodges-Lehmann shift (:func:`analysis.rank_shift.of_places`) of strokes that are alike
        and told on both sides, widened by what noise adds to the peaks. Where the other zone is
        heard on one side only, the other side's noise stands for what it has at most: the shift is
        then a bound, the interval open beyond it, and never shown to be equal. Told on neither
        side: NaN.
    """
    x, y, *cells = _common(before, after)
    if x.size:
        return _change(_shift(x, y, cells, confidence), _noise_db(before, after), x, y, confidence)
    heard = [
        np.isfinite(side["crosstalk_db"].to_numpy(dtype=float)).any() for side in (before, after)
    ]
    if heard[0] == heard[1]:
        return _change(nothing("Hodges-Lehmann shift"), 0.0, x, y, confidence)
    sides = [
        side if own else side.assign(crosstalk_db=side["crosstalk_most_db"])
        for side, own in zip((before, after), heard, strict=True)
    ]
    x, y, *cells = _common(*sides)
    noise_db = _noise_db(after if heard[1] else before)
    change = _change(_shift(x, y, cells, confidence), noise_db, x, y, confidence)
    found = change.difference
    if heard[1]:
        method = f"{found.method}; before: under the noise, so at least"
        found = found._replace(high=math.inf, high_tost=math.inf, p_less=1.0, method=method)
    else:
        method = f"{found.method}; after: under the noise, so at least"
        found = found._replace(low=-math.inf, low_tost=-math.inf, p_more=1.0, method=method)
    return dataclasses.replace(change, difference=found)


def _common(before: pd.DataFrame, after: pd.DataFrame) -> tuple[Array, Array, Array, Array]:
    """Values and cells of the strokes whose cell holds values on both sides."""
    x, y, cell_x, cell_y = in_cells(before, after, "crosstalk_db", 1)
    return x[cell_x >= 0], y[cell_y >= 0], cell_x[cell_x >= 0], cell_y[cell_y >= 0]


def _shift(x: Array, y: Array, cells: list[Array], confidence: float) -> Difference:
    within = (cells[0], cells[1]) if min(x.size, y.size) >= LEAST_IN_CELLS else None
    return of_places(x, y, confidence, within)


def _noise_db(*sides: pd.DataFrame) -> float:
    """Standard uncertainty that noise gives to the levels heard on these sides."""
    u_db = math.hypot(*(float(side["crosstalk_u_db"].median()) for side in sides))
    return u_db if u_db > 0.0 else 0.0


def _widened(found: Difference, u_db: float, confidence: float) -> Difference:
    """Widen a difference by an uncertainty that all strokes of a side share, in quadrature."""
    if not u_db > 0.0:
        return found
    error = math.hypot(found.standard_error, u_db)
    low, high = _bounds(found.value, found.low, found.high, u_db, (1.0 - confidence) / 2.0)
    low_tost, high_tost = _bounds(
        found.value, found.low_tost, found.high_tost, u_db, 1.0 - confidence
    )
    z = found.value / error
    p_more = max(found.p_more, float(stats.norm.sf(z)))
    p_less = max(found.p_less, float(stats.norm.cdf(z)))
    return Difference(
        found.value, low, high, low_tost, high_tost, p_more, p_less, error,
        f"{found.method} + noise, in quadrature",
    )  # fmt: skip


def _bounds(value: float, low: float, high: float, u_db: float, risk: float) -> tuple[float, float]:
    extra = float(stats.norm.isf(risk)) * u_db
    return value - math.hypot(value - low, extra), value + math.hypot(high - value, extra)


def _change(
    found: Difference, noise_db: float, x: Array, y: Array, confidence: float
) -> CrosstalkChange:
    medians = [float(np.median(side)) if side.size else math.nan for side in (x, y)]
    return CrosstalkChange(
        difference=_widened(found, noise_db, confidence),
        noise_u_db=noise_db,
        medians_db=(medians[0], medians[1]),
        counts=(x.size, y.size),
    )
