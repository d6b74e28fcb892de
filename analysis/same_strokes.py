"""Whether two runs hold the very same strokes, as those of one seed on a simulated bench do."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from scipy import stats

LEAST_STROKES = 20
"""Fewer common strokes tell nothing."""
LEAST_CORRELATION = 0.9
"""Of flights from stroke to stroke. Real strikers' scatter is their own in each run; what a plan
repeats (rests, widths, warmth) makes up less."""

_ALIKE = ("stage", "striker", "rate_per_s", "gap_ms", "level_difference_db", "place", "sweep")

ADVICE = (
    "They come from a simulated bench that was started with one seed: how runs differ of "
    "themselves is not in them. Give one another seed in the port of its bench file, and strike "
    "again"
)


def same_strokes(one: pd.DataFrame, other: pd.DataFrame) -> bool:
    """Tell whether the strikers did the same in two runs, stroke for stroke.

    The flights (coil on to onset) of common strikes are laid beside each other, each as its change
    from the same striker's last stroke that was planned alike: warmth and wear, which change
    slowly, are no likeness. Other pads and other noise shift them by less than they scatter.

    Parameters
    ----------
    one, other
        Stroke tables (columns of DEVELOPERS.md).

    Returns
    -------
    bool
        False where fewer than ``LEAST_STROKES`` pairs of changes can be laid beside each other.
    """
    flights = []
    for table in (one, other):
        struck = table[table["strike"] >= 0]
        level = struck["force_n"].where(struck["force_n"].notna(), struck["width_us"])
        alike = [level, *(struck[name] for name in _ALIKE if name in struck)]
        flight = struck["onset_t_s"] - struck["drive_t_s"]
        step = flight.groupby(alike, dropna=False).diff()
        flights.append(pd.Series(step.to_numpy(dtype=float), index=struck["strike"].to_numpy()))
    first, second = flights
    common = first.index.intersection(second.index)
    x, y = first.loc[common].to_numpy(), second.loc[common].to_numpy()
    use = np.isfinite(x) & np.isfinite(y)
    if use.sum() < LEAST_STROKES:
        return False
    x, y = x[use], y[use]
    if np.array_equal(x, y):
        return True
    if min(np.ptp(x), np.ptp(y)) == 0.0:
        return False
    # by ranks: one onset that was missed in one of them is no unlikeness
    return bool(stats.spearmanr(x, y).statistic >= LEAST_CORRELATION)


def pairs_of_same(tables: Mapping[str, pd.DataFrame]) -> list[tuple[str, str]]:
    """Give the names of all pairs of runs that hold the same strokes, in order."""
    return [
        (one, other)
        for one, other in itertools.combinations(tables, 2)
        if same_strokes(tables[one], tables[other])
    ]


def caution(pairs: Sequence[tuple[str, str]]) -> str:
    """Say which runs hold the same strokes and what to do; "" for none."""
    if not pairs:
        return ""
    told = "; ".join(f"{one} and {other}" for one, other in pairs)
    return f"{told}: the same strokes, one by one. {ADVICE}"
