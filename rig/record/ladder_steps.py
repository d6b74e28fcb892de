"""Ladders of searches, and whether their steps are too wide for the precision asked for."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from rig.record.protocol import FlamStage, Protocol, RollStage, SingleStage, Stage

_ROUNDED = 1.02
"""Room for levels that were rounded."""


class Ladder(NamedTuple):
    """What a stage is searched over: its keys in the file, its unit, and its levels."""

    key: str
    precision_key: str
    unit: str
    levels: tuple[float, ...]


def ladder(stage: SingleStage | RollStage | FlamStage) -> Ladder:
    """Return what a stage of one of the patterns that can be searched is searched over."""
    if isinstance(stage, RollStage):
        return Ladder("rates_per_s", "precision_per_s", "strokes/s", stage.rates_per_s)
    if isinstance(stage, FlamStage):
        return Ladder("gaps_ms", "precision_ms", "ms", stage.gaps_ms)
    if stage.forces_n:
        return Ladder("forces_n", "precision_n", "N", stage.forces_n)
    return Ladder("widths_us", "precision_us", "µs", stage.widths_us)


def wide_steps(protocol: Protocol) -> list[str]:
    """Give a sentence for each search that can end less precise than asked, before it begins.

    A search narrows the answer down to the step of the ladder in which it lies; where that step is
    wider than the precision, more strokes hardly tell more.

    Returns
    -------
    list of str
        Naming stage, keys, the widest step, and what to change. Empty if every step is narrow
        enough, or nothing is searched.
    """
    return [found for stage in protocol.stages if (found := wide_step(stage))]


def wide_step(stage: Stage) -> str:
    """Say the same of one stage; an empty text if there is nothing to say."""
    precision = stage.precision
    if precision is None or not isinstance(stage, SingleStage | RollStage | FlamStage):
        return ""
    found = ladder(stage)
    at = np.unique(np.asarray(found.levels, dtype=np.float64))
    steps = np.diff(at)
    wide = int((steps > _ROUNDED * precision).sum())
    if not wide:
        return ""
    worst = int(np.argmax(steps))
    return (
        f"stage {stage.name!r}: {found.precision_key} = {precision:g}, but {wide} of {steps.size} "
        f"steps of {found.key} are wider, up to {steps[worst]:.3g} {found.unit} (from "
        f"{at[worst]:g} to {at[worst + 1]:g}); where the answer lies in such a step, the search "
        f"ends less precise than asked: give {found.key} at most {precision:g} {found.unit} apart "
        f"where you expect it, or {found.precision_key} = {steps[worst]:.3g}"
    )
