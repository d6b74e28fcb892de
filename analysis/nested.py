"""Nested gauge studies: strokes within remountings within days, level by level."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from analysis.gauge_study import StudyError


def pooled_sd(deviations: ArrayLike, degrees: ArrayLike | None = None) -> float:
    """Pool standard deviations by their degrees of freedom (all alike if not given)."""
    sds = np.asarray(deviations, dtype=float)
    if sds.size == 0 or not np.isfinite(sds).all():
        raise StudyError("pooling: no standard deviations, or some that are not finite")
    weights = np.ones_like(sds) if degrees is None else np.asarray(degrees, dtype=float)
    return float(np.sqrt(np.average(sds**2, weights=weights)))


@dataclasses.dataclass(frozen=True, kw_only=True)
class NestedStudy:
    """Spread of a check specimen, level by level, from strokes up to sessions or days.

    Attributes
    ----------
    levels
        Names from the innermost (repeats) out.
    level_sd, level_df
        Pooled standard deviation of the means at each level, and its degrees of freedom.
    component_sd
        What each level adds of its own: ``sqrt(level² - level_below² / count_below)``, 0 at least.
    below
        Units of each level in one of the next.
    total_sd
        Standard deviation of one reading taken on any day.
    """

    levels: tuple[str, ...]
    level_sd: tuple[float, ...]
    level_df: tuple[int, ...]
    component_sd: tuple[float, ...]
    below: tuple[int, ...]
    method: str = "nested, level by level"

    @property
    def total_sd(self) -> float:
        """All components together."""
        return math.hypot(*self.component_sd)


def nested(table: pd.DataFrame, *, value: str, levels: Sequence[str]) -> NestedStudy:
    """Analyse readings of one specimen nested in ``levels``, outermost first.

    Parameters
    ----------
    table
        One row a reading; each unit of a level holds equally many units of the next.
    value
        Column of the readings.
    levels
        Columns, outermost first: ("day", "remounting", "striker").

    Notes
    -----
    NIST/SEMATECH e-Handbook 2.4.4: level-1 is the pooled deviation of repeats, level-2 that of
    means over repeats, level-3 that of means over those.
    """
    readings = table[value].to_numpy(dtype=float) if len(table) else np.empty(0)
    if readings.size == 0 or not np.isfinite(readings).all():
        raise StudyError("nested study: no readings, or some that are not finite")
    means = table[[*levels, value]].rename(columns={value: "mean"})
    means["mean"] -= readings[0]  # spreads small beside the level keep their digits
    sds: list[float] = []
    dfs: list[int] = []
    below: list[int] = []
    for depth in range(len(levels), -1, -1):
        keys = list(levels[:depth])
        groups = means.groupby(keys, observed=True)["mean"] if keys else None
        sizes = groups.size() if groups is not None else pd.Series([len(means)])
        if sizes.min() != sizes.max() or sizes.iloc[0] < 2:
            name = levels[depth] if depth < len(levels) else "repeat"
            raise StudyError(
                f"nested study: {sizes.min()} to {sizes.max()} units of '{name}' in a group; "
                "equally many, and at least 2, are needed"
            )
        size = int(sizes.iloc[0])
        spread = groups.std() if groups is not None else pd.Series([means["mean"].std()])
        sds.append(pooled_sd(spread.to_numpy()))
        dfs.append(len(sizes) * (size - 1))
        below.append(size)
        if groups is not None:
            means = groups.mean().reset_index()
    names = ("repeat", *reversed(list(levels)))
    components = [sds[0]]
    for index in range(1, len(sds)):
        own = sds[index] ** 2 - sds[index - 1] ** 2 / below[index - 1]
        components.append(math.sqrt(max(0.0, own)))
    return NestedStudy(
        levels=names,
        level_sd=tuple(sds),
        level_df=tuple(dfs),
        component_sd=tuple(components),
        below=tuple(below),
    )
