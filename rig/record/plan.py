"""The strike plan: one row a strike, from a protocol, a bench and a seed."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from rig.record.bench_fault import BenchError
from rig.record.bench_file import BenchFile
from rig.record.force_width import ForceWidth
from rig.record.packing import pack_bursts
from rig.record.protocol import (
    FlamStage,
    GivenStage,
    IdleStage,
    Protocol,
    SingleStage,
    StageBase,
)
from rig.record.stage_contacts import STROKES_MOST, Contacts, stage_contacts, stroke_count
from rig.record.warm_widths import carry_over

PLAN_COLUMNS: dict[str, str] = {
    "strike": "int64",  # row number, from 0
    "burst": "int64",  # what is loaded and begun as one: ticks count from its start
    "stage": "str",
    "pattern": "str",
    "striker": "str",
    "time_us": "int64",  # coil on, from the burst's start
    "width_us": "float64",
    "force_n": "float64",  # NaN on a bench not calibrated
    "group": "int64",  # roll, train or pair within the run; -1 for single strokes
    "place": "int64",  # place within the group, from 0
    "rate_per_s": "float64",  # rolls: programmed rate, else NaN
    "gap_ms": "float64",  # flams and trains: programmed gap to the stroke before it; else NaN
    "level_difference_db": "float64",  # flams: second over first; else NaN
    "sweep": "str",  # "up", "down" or ""
}
"""Columns of the plan and their types. The plan is written to the run folder as ``plan.csv``."""

BURST_COLUMNS: dict[str, str] = {
    "burst": "int64",
    "stage": "str",
    "prompt": "str",  # what the technician does before it; "" for none
    "duration_us": "int64",  # its silent tail included
    "idle": "bool",  # nothing is struck in it
}
"""Columns of the bursts, written as ``bursts.csv``."""


@dataclasses.dataclass(frozen=True)
class Plan:
    """What will be struck.

    Attributes
    ----------
    strikes
        One row a strike, columns as in ``PLAN_COLUMNS``, in order of burst, then time.
    bursts
        One row a burst, columns as in ``BURST_COLUMNS``.
    """

    strikes: pd.DataFrame
    bursts: pd.DataFrame


class PlanError(BenchError):
    """A protocol that can't be planned on this bench; one sentence a stage and reason."""

    def __init__(self, refusals: Sequence[str]) -> None:
        self.refusals = tuple(refusals)
        super().__init__("\n".join(self.refusals))


def make_plan(protocol: Protocol, bench: BenchFile, *, seed: int | None = None) -> Plan:
    """Lay out all strikes of a protocol for the strikers of a bench.

    Contacts land at the programmed times: each coil goes on earlier by its striker's flight. Two
    coils never start closer than ``START_CLEARANCE_US`` of packing.py; where a flam would have
    them so, its second stroke comes later, and ``gap_ms`` says by how much. Where a coil
    will be warmer or colder than it was calibrated at, its widths strike as hard all the same. The
    same protocol, bench and seed give the same plan.

    Parameters
    ----------
    protocol, bench
        As loaded.
    seed
        Of shuffled orders and interval spreads; the protocol's own if not given.

    Raises
    ------
    PlanError
        Forces beyond a calibration, strikers that are not there, …: every reason in one go.
    """
    plan, refusals = lay_out(protocol, bench, seed=seed)
    if refusals:
        raise PlanError(refusals)
    return plan


def lay_out(
    protocol: Protocol, bench: BenchFile, *, seed: int | None = None
) -> tuple[Plan, list[str]]:
    """Plan what can be planned; stages that can't be are left out, and a sentence says why."""
    seed = protocol.seed if seed is None else seed
    strikers = {facts.id: ForceWidth(facts) for facts in bench.strikers}
    strikes: list[pd.DataFrame] = []
    bursts: list[pd.DataFrame] = []
    refusals: list[str] = []
    first_burst, first_group = 0, 0
    for number, stage in enumerate(protocol.stages):
        if isinstance(stage, IdleStage):
            table = _idle_burst(stage, first_burst)
        else:
            reasons = [*_cannot_strike(stage, strikers)]
            if not reasons:
                # a stream of its own: what one stage draws does not depend on the stages before
                contacts = stage_contacts(stage, np.random.default_rng([seed, number]))
                rows = _drive(stage, contacts, strikers, reasons)
            if reasons:
                refusals += [f"stage {stage.name!r}: {reason}" for reason in reasons]
                continue
            table = pack_bursts(stage, contacts, rows, bench.limits.horizon_s)
            rows["burst"] += first_burst
            table["burst"] += first_burst
            if rows["group"].iloc[0] >= 0:
                rows["group"] += first_group
                first_group = int(rows["group"].iloc[-1]) + 1
            strikes.append(rows)
        bursts.append(table)
        first_burst += len(table)
    rows = _joined(strikes, PLAN_COLUMNS | {"by_force": "bool", "searched": "bool"})
    all_bursts = _joined(bursts, BURST_COLUMNS)
    rows["width_us"] = carry_over(rows, all_bursts, bench.strikers, bench.ambient.temperature_c)
    return Plan(rows[list(PLAN_COLUMNS)], all_bursts), refusals


def _joined(tables: list[pd.DataFrame], columns: dict[str, str]) -> pd.DataFrame:
    if not tables:
        return pd.DataFrame({name: pd.Series([], dtype=kind) for name, kind in columns.items()})
    joined = pd.concat(tables, ignore_index=True)
    if "strike" in columns:
        joined = joined.sort_values(["burst", "time_us"], kind="stable", ignore_index=True)
        joined["strike"] = np.arange(len(joined))
    return joined[list(columns)].astype(columns)


def _cannot_strike(stage: StageBase, strikers: Mapping[str, ForceWidth]) -> list[str]:
    if isinstance(stage, GivenStage):
        return [
            "its strokes were given by a recording from outside; no bench can strike them: leave "
            "the stage out, or give it another pattern"
        ]
    reasons = [
        f"striker {one!r} is not on this bench, which has {', '.join(strikers) or 'none'}"
        for one in dict.fromkeys(stage.strikers)
        if one not in strikers
    ]
    count = stroke_count(stage)
    if count > STROKES_MOST:
        reasons.append(
            f"{count:,} strokes; a stage may have {STROKES_MOST:,}: ask for fewer repeats"
        )
    return reasons


def _idle_burst(stage: IdleStage, burst: int) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "burst": [burst],
            "stage": stage.name,
            "prompt": stage.prompt,
            "duration_us": round(stage.duration_s * 1e6),
            "idle": True,
        }
    )


def _drive(
    stage: StageBase,
    contacts: Contacts,
    strikers: Mapping[str, ForceWidth],
    reasons: list[str],
) -> pd.DataFrame:
    """Width, force and flight of each contact; reasons why it can't be are appended."""
    width, force = contacts.width_us.copy(), contacts.force_n.copy()
    flight_ms = np.zeros(len(width))
    for name in dict.fromkeys(stage.strikers):
        striker, own = strikers[name], contacts.striker == name
        by_force = own & np.isfinite(force)
        if by_force.any() and not striker.calibrated:
            reasons.append(
                f"striker {name!r} is not calibrated, so it can't give a force; calibrate it, or "
                "give pulse widths in the protocol"
            )
            continue
        given = force[own]
        width[by_force] = striker.width_us(force[by_force])
        beyond = force[by_force][np.isnan(width[by_force])]
        if beyond.size:
            low, high = f"{beyond.min():.4g}", f"{beyond.max():.4g}"
            reasons.append(
                f"{low if low == high else f'{low} to {high}'} N is asked of striker {name!r}, "
                f"calibrated from {striker.least_n:g} to {striker.most_n:g} N; nothing is "
                "extrapolated: keep within, or calibrate further"
            )
        force[own] = np.where(np.isfinite(given), given, striker.force_n(width[own]))
        flight_ms[own] = striker.flight_ms(width[own])
    level = contacts.level_difference_db
    if isinstance(stage, FlamStage) and stage.force_n is None:
        level = np.repeat(20.0 * np.log10(force[1::2] / force[::2]), 2)
    return pd.DataFrame(
        {
            "stage": stage.name,
            "pattern": type(stage).__struct_config__.tag,
            "striker": contacts.striker,
            "width_us": width,
            "force_n": force,
            "group": -1 if isinstance(stage, SingleStage) else contacts.unit,
            "place": contacts.place,
            "rate_per_s": contacts.rate_per_s,
            "gap_ms": contacts.gap_ms,
            "level_difference_db": level,
            "sweep": contacts.sweep,
            "flight_ms": flight_ms,
            "by_force": np.isfinite(contacts.force_n),
            "searched": stage.precision is not None,
        }
    )
