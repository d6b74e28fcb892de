"""The difference of two means among strokes that are alike, cell by cell."""

from __future__ import annotations

import math

import numpy as np

from analysis.equivalence import Array, Difference, nothing, studentised

LEAST_CELL = 2
"""Values a side that a cell must have; the others are put together to one."""


def of_cell_means(
    before: Array,
    after: Array,
    cells: tuple[Array, Array],
    confidence: float = 0.95,
    *,
    step: float = 0.0,
) -> Difference:
    """Compare means within cells: their differences, weighted by n m / (n + m).

    Each side has one variance, pooled over its cells, so that two values a cell are enough; the
    degrees of freedom are Welch's. Cells put together are compared as one.

    Parameters
    ----------
    before, after
        Finite values, shapes (n,) and (m,).
    cells
        Number of each value's cell.
    confidence
        Of the interval.
    step
        Values are whole steps of this; a variance is at least that of rounding, step²/12.
    """
    name = "Welch t within cells"
    sides = (before, after)
    numbers, cell = np.unique(np.concatenate(cells), return_inverse=True)
    own = [cell[: before.size], cell[before.size :]]
    count = np.array([np.bincount(one, minlength=numbers.size) for one in own], dtype=float)
    few = count.min(axis=0, initial=np.inf) < LEAST_CELL
    # the last place is for what is put together
    merged = np.where(few, numbers.size, np.arange(numbers.size))
    own = [merged[one] for one in own]
    count = np.array([np.bincount(one, minlength=numbers.size + 1) for one in own], dtype=float)
    used = count.min(axis=0) > 0.0
    if not used.any():
        return nothing(name)
    n, m = count[:, used]
    weight = n * m / (n + m)
    weight /= weight.sum()
    means, variances, freedoms = [], [], []
    for values, one, here in zip(sides, own, count, strict=True):
        kept = used[one]
        mean = np.bincount(one[kept], values[kept], count.shape[1])[used] / here[used]
        whole = np.zeros(count.shape[1])
        whole[used] = mean
        freedom = float((here[used] - 1.0).sum())
        squares = float(((values[kept] - whole[one[kept]]) ** 2).sum())
        means.append(mean)
        freedoms.append(freedom)
        variances.append(max(squares / freedom, step**2 / 12.0) if freedom > 0.0 else math.nan)
    parts = [v * float((weight**2 / c).sum()) for v, c in zip(variances, (n, m), strict=True)]
    if not all(map(math.isfinite, parts)):
        return nothing(name)
    error = math.sqrt(sum(parts))
    freedom = math.inf
    if error > 0.0:
        freedom = error**4 / sum(p**2 / f for p, f in zip(parts, freedoms, strict=True))
    value = float((weight * (means[1] - means[0])).sum())
    return studentised(value, error, freedom, confidence, name)
