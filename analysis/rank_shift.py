"""The shift between two samples by ranks, in cells of strokes that are alike or in one."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from analysis.equivalence import Array, Difference, nothing

_EXACT_PAIRS = 400


def _rank_of_bound(n: int, m: int, tail: float, wider: float = 1.0) -> int:
    """Return k so that the k-th least and greatest of all n m differences bound the shift.

    Exact for few values (counts of the rank sum by its generating function), else normal, with a
    spread ``wider`` than without cells. 0: too few values for this confidence.
    """
    if n * m <= _EXACT_PAIRS and wider == 1.0:
        counts = np.zeros(n * m + 1)
        counts[0] = 1.0
        for i in range(1, n + 1):
            top, bottom = m + i, i
            if top <= n * m:
                counts[top:] -= counts[:-top].copy()
            for start in range(bottom):
                counts[start::bottom] = np.cumsum(counts[start::bottom])
        chance = np.cumsum(counts) / math.comb(n + m, n)
        return int(np.searchsorted(chance, tail, side="right"))
    spread = wider * math.sqrt(n * m * (n + m + 1) / 12.0)
    return max(0, math.floor(n * m / 2.0 + stats.norm.ppf(tail) * spread))


def _ordered_difference(before: Array, after: Array, rank: int) -> float:
    """Return the rank-th least (from 1) of all differences after - before; both ascending."""
    low, high = float(after[0] - before[-1]), float(after[-1] - before[0])
    for _ in range(80):
        middle = 0.5 * (low + high)
        if middle in (low, high):
            break
        at_most = int(np.searchsorted(before, after - middle, side="left").sum())
        # pairs with after - before <= middle are those with before >= after - middle
        if before.size * after.size - at_most >= rank:
            high = middle
        else:
            low = middle
    return high


def of_places(
    before: ArrayLike,
    after: ArrayLike,
    confidence: float = 0.95,
    cells: tuple[ArrayLike, ArrayLike] | None = None,
) -> Difference:
    """Compare where two samples lie: the Hodges-Lehmann shift, by ranks.

    The interval is that of the Mann-Whitney test turned round (Hodges and Lehmann 1963): exact for
    few values, normal for many; no distribution is assumed but that both have one shape.
    Values not finite are left out; either side empty gives NaN.

    Parameters
    ----------
    before, after
        The samples, shapes (n,) and (m,).
    confidence
        Of the interval.
    cells
        Number of each value's cell. Values are then compared within cells only, by ranks about
        each cell's common median (Hodges and Lehmann 1962); the variance is that of exchanging
        the sides within cells, so that what differs between cells costs no strokes.
    """
    name = "Hodges-Lehmann shift, Mann-Whitney test"
    raw = [np.asarray(side, dtype=float).ravel() for side in (before, after)]
    use = [np.isfinite(side) for side in raw]
    x, y = (side[kept] for side, kept in zip(raw, use, strict=True))
    pairs = x.size * y.size
    if pairs == 0:
        return nothing(name)
    value, wider = 0.0, 1.0
    if cells is None:
        p_more = float(stats.mannwhitneyu(y, x, alternative="greater").pvalue)
        p_less = float(stats.mannwhitneyu(y, x, alternative="less").pvalue)
    else:
        name = "Hodges-Lehmann shift, aligned ranks"
        own = [np.asarray(c).ravel()[kept] for c, kept in zip(cells, use, strict=True)]
        split = _Cells(*own)
        p_more, p_less = split.p_values(x, y)
        # about the cells' medians once the shift is taken out, which would smear them
        value = _shift(*split.centred(x, y))
        x, y = split.centred(x, y - value, as_wide=True)
        wider = split.wider(x, y)
    x, y = np.sort(x), np.sort(y)
    value += _shift(x, y) if cells is None else 0.0
    bounds: list[float] = []
    for risk in (1.0 - confidence, 2.0 * (1.0 - confidence)):
        rank = _rank_of_bound(x.size, y.size, risk / 2.0, wider)
        low, high = -math.inf, math.inf
        if rank:
            low = _ordered_difference(x, y, rank)
            high = _ordered_difference(x, y, pairs + 1 - rank)
        bounds += [low, high]
    if cells is not None:
        bounds = [value + bound for bound in bounds]
    low, high, low_tost, high_tost = bounds
    z = float(stats.norm.ppf(0.5 + confidence / 2.0))
    error = (high - low) / (2.0 * z)
    return Difference(value, low, high, low_tost, high_tost, p_more, p_less, error, name)


def _shift(before: Array, after: Array) -> float:
    """Return the median of all differences after - before."""
    x, y = np.sort(before), np.sort(after)
    pairs = x.size * y.size
    return 0.5 * (
        _ordered_difference(x, y, (pairs + 1) // 2) + _ordered_difference(x, y, pairs // 2 + 1)
    )


class _Cells:
    """Cells of two samples: (n,) and (m,) numbers."""

    def __init__(self, before: NDArray[Any], after: NDArray[Any]) -> None:
        names, cell = np.unique(np.concatenate([before, after]), return_inverse=True)
        self.cell, self.after = cell, np.arange(cell.size) >= before.size
        self.size = np.bincount(cell, minlength=names.size).astype(float)
        self.size_after = np.bincount(cell[self.after], minlength=names.size).astype(float)

    def centred(self, x: Array, y: Array, *, as_wide: bool = False) -> tuple[Array, Array]:
        """Values about their cell's median; ``as_wide``: as widely spread as about the true one."""
        values = pd.Series(np.concatenate([x, y]))
        centred = (values - values.groupby(self.cell).transform("median")).to_numpy()
        if as_wide:
            centred = centred * np.sqrt(self.size / np.maximum(self.size - 1.0, 1.0))[self.cell]
        return centred[~self.after], centred[self.after]

    def _variance(self, ranks: Array) -> tuple[Array, float]:
        """Mean rank of each cell, and variance of the rank sum when sides change within cells."""
        mean = np.bincount(self.cell, ranks) / self.size
        squares = np.bincount(self.cell, (ranks - mean[self.cell]) ** 2)
        before = self.size - self.size_after
        shares = before * self.size_after / (self.size * np.maximum(self.size - 1.0, 1.0))
        return mean, float((shares * squares).sum())

    def p_values(self, x: Array, y: Array) -> tuple[float, float]:
        """One-sided p values, ``after`` more and less, with half a rank of continuity."""
        ranks = stats.rankdata(np.concatenate(self.centred(x, y)))
        mean, variance = self._variance(ranks)
        if not variance > 0.0:
            return 1.0, 1.0
        above = float(ranks[self.after].sum() - (mean * self.size_after).sum())
        spread = math.sqrt(variance)
        return float(stats.norm.sf((above - 0.5) / spread)), float(
            stats.norm.cdf((above + 0.5) / spread)
        )

    def wider(self, x: Array, y: Array) -> float:
        """Spread of the rank sum, over that without cells."""
        ranks = stats.rankdata(np.concatenate([x, y]))
        count = float(ranks.size)
        plain = x.size * y.size * float(ranks.var()) / max(count - 1.0, 1.0)
        return math.sqrt(self._variance(ranks)[1] / plain) if plain > 0.0 else 1.0
