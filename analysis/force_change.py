"""The change of one measure at each force: opposite changes cancel in a figure over all."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from analysis import equivalence, power
from analysis.cell_means import of_cell_means
from analysis.cells import LEAST_IN_CELLS, at_forces, in_cells
from analysis.change import in_percent, share_counts
from analysis.equivalence import Array, Difference
from analysis.rank_shift import of_places


@dataclasses.dataclass(frozen=True, kw_only=True)
class ForceChange:
    """One measure at one force, before and after, in its unit.

    Attributes
    ----------
    force
        The force, or neighbouring ones that had few strokes, with its unit.
    before, after, counts
        Medians, means or shares, and the strokes behind them.
    difference
        At the confidence asked for, of this force alone.
    low, high
        Of the difference; the intervals of all forces hold at once with the confidence asked for.
    p_more, p_less
        One-sided, corrected over the forces.
    """

    force: str
    before: float
    after: float
    counts: tuple[int, int]
    difference: Difference
    low: float
    high: float
    p_more: float = 1.0
    p_less: float = 1.0


def at_each_force(
    name: str, before: pd.DataFrame, after: pd.DataFrame, confidence: float
) -> tuple[ForceChange, ...]:
    """Compare one measure force by force, over strikers and stages; empty where there is one force.

    Medians (ranks) and means (Welch's t) are compared among strokes of one stage, striker and
    force, shares by Fisher's exact test. Intervals are simultaneous (Šidák 1967).

    Parameters
    ----------
    name
        A measure that is judged at each force.
    before, after
        Usable rows of the stroke tables.
    confidence
        Of the intervals, together.
    """
    shares = name.endswith("_share")
    column = "velocity" if name == "velocity" else "latency_s"
    if not shares:
        before, after = (side[np.isfinite(side[column].astype(float))] for side in (before, after))
    forces, at_before, at_after = at_forces(before, after)
    if len(forces) < 2:
        return ()
    together = float(confidence ** (1.0 / len(forces)))
    levels = (confidence, together)
    found: list[ForceChange] = []
    attainable: list[tuple[Array, Array] | None] = []
    if not shares:
        scale = 1.0 if name == "velocity" else 1000.0
        x, y, *cells = in_cells(before, after, column, 1)
        x, y = scale * x, scale * y
    for i, force in enumerate(forces):
        here, there = at_before == i, at_after == i
        if shares:
            (k1, n1), (k2, n2) = (share_counts(side, name) for side in (before[here], after[there]))
            own, wide = (in_percent(equivalence.of_shares(k1, n1, k2, n2, one)) for one in levels)
            values = [100.0 * k / n if n else math.nan for k, n in ((k1, n1), (k2, n2))]
            attainable.append(_attainable(k1 + k2, n1, n2))
        else:
            n1, n2 = int(here.sum()), int(there.sum())
            compared = _means if name == "velocity" else _places
            own, wide = (
                compared(x[here], y[there], cells[0][here], cells[1][there], one) for one in levels
            )
            middle = np.mean if name == "velocity" else np.median
            values = [
                float(middle(side)) if side.size else math.nan for side in (x[here], y[there])
            ]
            attainable.append(None)
        found.append(
            ForceChange(
                force=str(force), before=values[0], after=values[1], counts=(n1, n2),
                difference=own, low=wide.low, high=wide.high,
            )
        )  # fmt: skip
    ways = [(None, None) if one is None else one for one in attainable]
    p_more = least_of_all([one.difference.p_more for one in found], [up for up, _ in ways])
    p_less = least_of_all([one.difference.p_less for one in found], [down for _, down in ways])
    return tuple(
        dataclasses.replace(one, p_more=float(up), p_less=float(down))
        for one, up, down in zip(found, p_more, p_less, strict=True)
    )


def _means(x: Array, y: Array, cell_x: Array, cell_y: Array, confidence: float) -> Difference:
    return of_cell_means(x, y, (cell_x, cell_y), confidence, step=1.0)


def _places(x: Array, y: Array, cell_x: Array, cell_y: Array, confidence: float) -> Difference:
    within = (cell_x, cell_y) if min(x.size, y.size) >= LEAST_IN_CELLS else None
    return of_places(x, y, confidence, within)


def _attainable(events: int, before: int, after: int) -> tuple[Array, Array]:
    """Give the p values that Fisher's test can have with so many events: more, and less, after."""
    if min(before, after) < 1:
        return np.empty(0), np.empty(0)
    drawn = stats.hypergeom(before + after, events, after)
    counts = np.arange(max(0, events - before), min(events, after) + 1)
    return np.asarray(drawn.sf(counts - 1)), np.asarray(drawn.cdf(counts))


def least_of_all(p_values: Sequence[float], attainable: Sequence[Array | None]) -> Array:
    """Correct p values for having looked at all of them.

    That of each is the chance that the least of all is as small: 1 - prod(1 - P_j(p_j <= p)), of
    independent tests. A test with few values can't reach a small p (Tarone 1990, Biometrics
    46:515, from memory).

    Parameters
    ----------
    p_values
        Of independent tests; NaN (none could be made) counts as 1.
    attainable
        Values that each p can have, None where any.
    """
    p = np.where(np.isnan(p_values), 1.0, p_values).astype(float)
    log_none = np.zeros(p.size)
    for one, values in zip(p_values, attainable, strict=True):
        if math.isnan(one):
            continue
        chance = p
        if values is not None:
            # to rounding: a p that is attained counts
            below = values[None, :] <= p[:, None] * (1.0 + 1e-9)
            chance = np.where(below, values[None, :], 0.0).max(axis=1, initial=0.0)
        with np.errstate(divide="ignore"):
            log_none += np.log1p(-np.minimum(chance, 1.0))
    return np.where(np.isnan(p_values), 1.0, np.abs(np.expm1(log_none))).astype(float)


def strokes_at_forces(
    changes: Sequence[ForceChange], margin: float, risk: float, target: float
) -> int:
    """Strokes a side, over all, that show a shift of the margin at any force, or none at all.

    ``changes`` are of all forces; each then gets its share of the strokes.
    """
    every = len(changes)
    struck = min(sum(one.counts[side] for one in changes) for side in (0, 1))
    needed = 0.0
    for one in changes:
        n = min(one.counts)
        if one.difference.within(margin):
            continue
        if not (math.isfinite(one.difference.standard_error) and n >= 2):
            needed = max(needed, 4.0 * struck)
            continue
        deviation = one.difference.standard_error / math.sqrt(sum(1.0 / m for m in one.counts))
        deviation *= math.sqrt((n - 1) / stats.chi2.ppf(0.2, n - 1))
        own = power.strokes_for_shift(deviation, margin, risk / every, target ** (1.0 / every))
        needed = max(needed, struck / n * (own if own > n else 2 * n))
    return math.ceil(needed)
