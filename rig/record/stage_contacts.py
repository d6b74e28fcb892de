"""What a stage asks of the pad: contacts in time, before any striker's flight is thought of."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from rig.record.protocol import BuzzStage, FlamStage, Order, RollStage, SingleStage, StageBase

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Words = npt.NDArray[np.str_]

STROKES_MOST = 1_000_000
"""Strokes that one stage may ask for."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Contacts:
    """Contacts of one stage, one entry each but for ``pause_ms``.

    Contacts of one unit (a roll, a train, a pair, or one single stroke) are struck in one burst.

    Attributes
    ----------
    unit
        From 0, not falling.
    contact_ms
        From the first contact of its unit.
    striker
        Identity of the striker.
    force_n, width_us
        One of them is given, the other NaN.
    place
        Within the unit.
    rate_per_s, gap_ms, level_difference_db, sweep
        As in the plan.
    pause_ms
        One entry a unit: from its last contact to the first of the next.
    """

    unit: Integers
    contact_ms: Floats
    striker: Words
    force_n: Floats
    width_us: Floats
    place: Integers
    rate_per_s: Floats
    gap_ms: Floats
    level_difference_db: Floats
    sweep: Words
    pause_ms: Floats


def stroke_count(stage: StageBase) -> int:
    """Strokes of a stage, without laying it out."""
    if isinstance(stage, SingleStage):
        ladder = len(stage.forces_n) + len(stage.widths_us)
        sweeps = 2 if stage.order == "up_down" else 1
        return ladder * sweeps * stage.repeats * len(stage.strikers)
    if isinstance(stage, RollStage):
        return len(stage.rates_per_s) * stage.strokes * stage.repeats
    if isinstance(stage, BuzzStage):
        return stage.strokes * stage.repeats
    if isinstance(stage, FlamStage):
        sweeps = 2 if stage.order == "up_down" else 1
        pairs = len(stage.gaps_ms) * len(stage.level_differences_db) * sweeps
        return 2 * pairs * stage.repeats
    return 0


def stage_contacts(stage: StageBase, rng: np.random.Generator) -> Contacts:
    """Lay out a stage that strikes; ``rng`` draws its shuffled orders and interval spreads.

    Raises
    ------
    TypeError
        The stage strikes nothing.
    """
    if isinstance(stage, SingleStage):
        return _singles(stage, rng)
    if isinstance(stage, RollStage):
        return _rolls(stage)
    if isinstance(stage, BuzzStage):
        return _trains(stage)
    if isinstance(stage, FlamStage):
        return _pairs(stage, rng)
    raise TypeError(f"nothing to strike in a stage of {type(stage).__name__}")


def _ordered(count: int, order: Order) -> tuple[Integers, list[str]]:
    """Places of a rising ladder in the order of one repeat, and the sweep of each."""
    up, down = np.arange(count), np.arange(count)[::-1]
    if order == "down":
        return down, ["down"] * count
    if order == "up_down":
        return np.concatenate([up, down]), ["up"] * count + ["down"] * count
    return up, ["up" if order == "up" else ""] * count


def _singles(stage: SingleStage, rng: np.random.Generator) -> Contacts:
    ladder = np.sort(np.array(stage.forces_n or stage.widths_us, dtype=np.float64))
    places, sweeps = _ordered(len(ladder), stage.order)
    per_repeat = len(places) * len(stage.strikers)
    levels = np.tile(ladder[places], stage.repeats * len(stage.strikers))
    sweep = np.tile(np.array(sweeps), stage.repeats * len(stage.strikers))
    strikers = np.tile(np.repeat(np.array(stage.strikers), len(places)), stage.repeats)
    count = per_repeat * stage.repeats
    if stage.order == "shuffled":
        shuffled = rng.permutation(count)
        levels, strikers = levels[shuffled], strikers[shuffled]
    spread = stage.interval_spread_ms
    nothing = np.full(count, np.nan)
    return Contacts(
        unit=np.arange(count),
        contact_ms=np.zeros(count),
        striker=strikers,
        force_n=levels if stage.forces_n else nothing,
        width_us=nothing if stage.forces_n else levels,
        place=np.zeros(count, dtype=np.int64),
        rate_per_s=nothing,
        gap_ms=nothing,
        level_difference_db=nothing,
        sweep=sweep,
        pause_ms=stage.interval_ms + rng.uniform(-spread, spread, count),
    )


def _rolls(stage: RollStage) -> Contacts:
    rates = np.tile(np.array(stage.rates_per_s, dtype=np.float64), stage.repeats)
    place = np.tile(np.arange(stage.strokes), len(rates))
    rate = np.repeat(rates, stage.strokes)
    return _grouped(
        stage,
        place=place,
        contact_ms=1000.0 * place / rate,
        force_n=_or_nan(stage.force_n),
        width_us=_or_nan(stage.width_us),
        rate_per_s=rate,
    )


def _trains(stage: BuzzStage) -> Contacts:
    gaps = np.geomspace(stage.first_gap_ms, stage.last_gap_ms, stage.strokes - 1)
    place = np.tile(np.arange(stage.strokes), stage.repeats)

    def ramp(first: float | None, last: float | None) -> Floats:
        if first is None or last is None:
            return np.full(len(place), np.nan)
        return np.asarray(np.geomspace(first, last, stage.strokes)[place])

    return _grouped(
        stage,
        place=place,
        contact_ms=np.concatenate([[0.0], np.cumsum(gaps)])[place],
        force_n=ramp(stage.first_force_n, stage.last_force_n),
        width_us=ramp(stage.first_width_us, stage.last_width_us),
        gap_ms=np.concatenate([[np.nan], gaps])[place],
    )


def _pairs(stage: FlamStage, rng: np.random.Generator) -> Contacts:
    gaps, levels = np.meshgrid(np.sort(stage.gaps_ms), stage.level_differences_db, indexing="ij")
    places, sweeps = _ordered(gaps.size, stage.order)
    gap = np.tile(gaps.ravel()[places], stage.repeats)
    level = np.tile(levels.ravel()[places], stage.repeats)
    if stage.order == "shuffled":
        shuffled = rng.permutation(gap.size)
        gap, level = gap[shuffled], level[shuffled]
    place = np.tile([0, 1], gap.size)
    second = place == 1
    both_gaps, both_levels = np.repeat(gap, 2), np.repeat(level, 2)
    width = stage.width_us if stage.second_width_us is None else stage.second_width_us
    return _grouped(
        stage,
        place=place,
        contact_ms=np.where(second, both_gaps, 0.0),
        force_n=_or_nan(stage.force_n) * np.where(second, 10.0 ** (both_levels / 20.0), 1.0),
        width_us=np.where(second, _or_nan(width), _or_nan(stage.width_us)),
        gap_ms=np.where(second, both_gaps, np.nan),
        level_difference_db=both_levels if stage.force_n is not None else np.nan,
        sweep=np.repeat(np.tile(np.array(sweeps), stage.repeats), 2),
    )


def _or_nan(value: float | None) -> float:
    return np.nan if value is None else value


def _grouped(
    stage: StageBase,
    *,
    place: Integers,
    contact_ms: Floats,
    force_n: Floats | float,
    width_us: Floats | float,
    rate_per_s: Floats | float = np.nan,
    gap_ms: Floats | float = np.nan,
    level_difference_db: Floats | float = np.nan,
    sweep: Words | Sequence[str] | str = "",
) -> Contacts:
    """Contacts of units that begin wherever ``place`` is 0, the strikers taking turns."""
    unit = np.cumsum(place == 0) - 1

    def spread(values: Floats | float) -> Floats:
        return np.broadcast_to(np.asarray(values, dtype=np.float64), place.shape)

    return Contacts(
        unit=unit,
        contact_ms=contact_ms,
        striker=np.array(stage.strikers)[place % len(stage.strikers)],
        force_n=spread(force_n),
        width_us=spread(width_us),
        place=place,
        rate_per_s=spread(rate_per_s),
        gap_ms=spread(gap_ms),
        level_difference_db=spread(level_difference_db),
        sweep=np.broadcast_to(np.asarray(sweep, dtype=np.str_), place.shape),
        pause_ms=np.full(int(unit[-1]) + 1, stage.rest_ms),
    )
