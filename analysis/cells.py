"""Strokes that are alike, of two runs: cells of one stage, striker and force or pulse width."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from analysis.equivalence import Array

LEAST_CELL = 8
"""Strokes a side that a stage, striker and force must have to be a cell of its own, where spread
and means are compared; fewer would make the spread about the cell's median too small."""
LEAST_IN_CELLS = 20
"""Strokes a side from which on medians are compared within cells, of any size."""

LEAST_AT_FORCE = 8
"""Strokes a side at a force; forces with fewer are put together with their neighbours."""


class Force(NamedTuple):
    """A force, or neighbouring ones, in N; a pulse width in µs where forces are not known."""

    least: float
    most: float
    unit: str

    def __str__(self) -> str:
        span = f"{self.least:g}" + (f" to {self.most:g}" if self.most > self.least else "")
        return f"{span} {self.unit}"


def at_forces(before: pd.DataFrame, after: pd.DataFrame) -> tuple[list[Force], Array, Array]:
    """Part strokes by force alone, over strikers and stages.

    Parameters
    ----------
    before, after
        Rows that count, shapes (n,) and (m,).

    Returns
    -------
    list of Force
        From soft to hard, each of ``LEAST_AT_FORCE`` strokes a side or more (unless there are fewer
        in all): of what is fewer, neighbours are put together.
    before, after
        Place in the list of each stroke, (n,) and (m,); -1 where neither force nor width is known.
    """
    count = len(before)
    both = pd.concat([before, after], ignore_index=True)
    nothing = pd.Series(np.nan, index=both.index)
    force, width = (both.get(key, nothing).astype(float) for key in ("force_n", "width_us"))
    place = np.full(len(both), -1.0)
    later = np.arange(len(both)) >= count
    found: list[Force] = []
    for unit, over in (("N", force), ("µs", width.where(force.isna()))):
        value = over.to_numpy()
        held: list[tuple[float, ...]] = []
        open_: tuple[float, ...] = ()
        for one in np.unique(value[np.isfinite(value)]):
            open_ = (*open_, float(one))
            here = np.isin(value, open_)
            if min((here & later).sum(), (here & ~later).sum()) >= LEAST_AT_FORCE:
                held.append(open_)
                open_ = ()
        if open_:
            # the rest belongs to the last that is full
            held[-1:] = [(*(held[-1] if held else ()), *open_)]
        for values in held:
            place[np.isin(value, values)] = len(found)
            found.append(Force(values[0], values[-1], unit))
    return found, place[:count], place[count:]


def in_cells(
    before: pd.DataFrame, after: pd.DataFrame, column: str, least: int
) -> tuple[Array, Array, Array, Array]:
    """Return both samples' finite values, then the cell (stage, striker and force) of each.

    Cells with fewer than ``least`` strokes on a side fall together.
    """
    keys = [key for key in ("stage", "striker", "force_n") if key in before and key in after]
    both = pd.concat([before.assign(side=0), after.assign(side=1)], ignore_index=True)
    if "width_us" in both and "force_n" in keys:
        # without a calibration the widths tell which strokes are alike
        unknown = both["force_n"].isna()
        keys += ["unknown_force_us"] * bool(unknown.any())
        both["unknown_force_us"] = both["width_us"].where(unknown)
    both = both[["side", column, *keys]].copy()
    both = both[np.isfinite(both[column].to_numpy(dtype=float))]
    raw = both[column].to_numpy(dtype=float)
    cell = (
        both.groupby(keys, dropna=False).ngroup().to_numpy() if keys else np.zeros(len(both), int)
    )
    side = both["side"].to_numpy()
    counts = np.zeros((2, int(cell.max(initial=0)) + 1))
    np.add.at(counts, (side, cell), 1)
    cell = np.where(counts.min(axis=0)[cell] >= least, cell, -1).astype(float)
    return raw[side == 0], raw[side == 1], cell[side == 0], cell[side == 1]


def aligned(before: pd.DataFrame, after: pd.DataFrame, column: str) -> tuple[Array, Array]:
    """Return both samples about the common median of their cell.

    Strokes of unlike force have unlike latency; aligning them keeps that out of the comparison.
    """
    x, y, cell_x, cell_y = in_cells(before, after, column, LEAST_CELL)
    values = pd.Series(np.concatenate([x, y]))
    cell = np.concatenate([cell_x, cell_y])
    centred = (values - values.groupby(cell).transform("median")).to_numpy(dtype=float)
    return centred[: x.size], centred[x.size :]
