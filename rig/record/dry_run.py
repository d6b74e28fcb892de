"""A dry run: the plan against the limits of the strikers, before anything moves."""

from __future__ import annotations

import dataclasses

import numpy as np
import numpy.typing as npt
import pandas as pd

from rig.record.bench_file import LISTENS_ONLY, BenchFile
from rig.record.limits import TICKS_PER_US, AgreedLimits, CoilLimits, limits_from_bench
from rig.record.packing import HORIZON_SLACK_S, START_CLEARANCE_US
from rig.record.plan import Plan, lay_out
from rig.record.protocol import Protocol
from rig.record.unfit import unrecordable, unwatchable

QUEUE_STRIKES = 256
"""Strikes that the board takes ahead; their widths count as heat when they are loaded."""
PULSE_REST_US = 1000
"""Least time from the end of a coil's pulse to its next start."""

STAGE_COLUMNS: dict[str, str] = {
    "stage": "str",
    "pattern": "str",
    "strokes": "int64",
    "bursts": "int64",
    "duration_s": "float64",
    "least_force_n": "float64",
    "most_force_n": "float64",
    "shortest_gap_ms": "float64",  # between pulses of one striker; NaN below two strokes
    "heat_percent": "float64",  # highest share of a coil's heat budget
}


@dataclasses.dataclass(frozen=True)
class DryRun:
    """What a run would be.

    Attributes
    ----------
    plan
        All that can be planned.
    duration_s
        Time of all bursts; what the technician takes comes on top.
    strokes
        Strokes of all stages that can be planned.
    stages
        One row a stage, columns as in ``STAGE_COLUMNS``.
    refusals
        A sentence for each thing that the strikers can't do; empty if the run may start.
    """

    plan: Plan
    duration_s: float
    strokes: int
    stages: pd.DataFrame
    refusals: tuple[str, ...]

    @property
    def allowed(self) -> bool:
        """Nothing is refused, and something is to be done."""
        return not self.refusals


def dry_run(
    protocol: Protocol,
    bench: BenchFile,
    *,
    limits: AgreedLimits | None = None,
    seed: int | None = None,
) -> DryRun:
    """Check every strike of a protocol against a bench.

    Parameters
    ----------
    protocol, bench
        As loaded.
    limits
        As echoed by the board; those of the bench file if not given.
    seed
        Of the plan; the protocol's own if not given.

    Returns
    -------
    DryRun
        With the refusals of every stage: unknown striker, force beyond the calibration, pulse too
        long, gap too short, starts of two coils too close, heat budget, horizon; and what the
        bench can't watch or record as asked.
    """
    plan, refusals = lay_out(protocol, bench, seed=seed)
    limits = limits_from_bench(bench) if limits is None else limits
    refusals += check_plan(plan, bench, limits)
    if bench.board.port == LISTENS_ONLY:
        refusals.append(
            f"bench {bench.name!r}: its port is {LISTENS_ONLY!r}, so it takes in recordings and "
            "strikes nothing: name the board's port or serial number under [board]"
        )
    strikes, bursts = plan.strikes, plan.bursts
    refusals += unwatchable(protocol.stop, bench, list(strikes["striker"].unique()))
    refusals += unrecordable(protocol.record, bench)
    rows = []
    heat = _heat_shares(plan, bench, limits)
    gaps = _gaps_ms(plan)
    for stage in protocol.stages:
        own = (strikes["stage"] == stage.name).to_numpy()
        forces, own_gaps = strikes["force_n"].to_numpy()[own], gaps[own]
        own_bursts = bursts[bursts["stage"] == stage.name]
        rows.append(
            {
                "stage": stage.name,
                "pattern": str(type(stage).__struct_config__.tag),
                "strokes": int(own.sum()),
                "bursts": len(own_bursts),
                "duration_s": float(own_bursts["duration_us"].sum()) / 1e6,
                "least_force_n": _least(forces),
                "most_force_n": -_least(-forces),
                "shortest_gap_ms": _least(own_gaps),
                "heat_percent": -_least(-100.0 * heat[own]),
            }
        )
    return DryRun(
        plan=plan,
        duration_s=float(bursts["duration_us"].sum()) / 1e6,
        strokes=len(strikes),
        stages=pd.DataFrame(rows, columns=list(STAGE_COLUMNS)).astype(STAGE_COLUMNS),
        refusals=tuple(refusals),
    )


def check_plan(plan: Plan, bench: BenchFile, limits: AgreedLimits) -> list[str]:
    """Give a sentence for each stage and limit that a plan would break."""
    strikes = plan.strikes
    coils = {striker.id: coil for striker, coil in zip(bench.strikers, limits.coils, strict=False)}
    gaps_ms, heat = _gaps_ms(plan), _heat_shares(plan, bench, limits)
    widths = strikes["width_us"].to_numpy()
    refusals = []
    for stage in strikes["stage"].unique():
        in_stage = (strikes["stage"] == stage).to_numpy()
        refusals += [
            f"stage {stage!r}: {reason}"
            for name, coil in coils.items()
            for own in [in_stage & (strikes["striker"] == name).to_numpy()]
            if own.any()
            for reason in _coil_reasons(name, coil, widths[own], gaps_ms[own], heat[own])
        ]
        close_us = _least(_clearances_us(plan)[in_stage])
        if close_us < START_CLEARANCE_US:
            refusals.append(
                f"stage {stage!r}: two coils would start {close_us:g} µs apart; "
                f"{START_CLEARANCE_US} µs are allowed, so that their markers stay apart: "
                "ask for longer gaps"
            )
    room_s = limits.horizon_ms / 1000.0 - HORIZON_SLACK_S
    struck = plan.bursts[~plan.bursts["idle"]]
    for stage, longest_us in struck.groupby("stage", sort=False)["duration_us"].max().items():
        if longest_us / 1e6 > room_s:
            refusals.append(
                f"stage {stage!r}: a burst of {longest_us / 1e6:.1f} s; the horizon of the bench "
                f"allows {room_s:.1f} s: ask for fewer strokes a roll, or shorter gaps, intervals "
                "or rests"
            )
    return refusals


def _coil_reasons(
    name: str,
    coil: CoilLimits,
    widths_us: npt.NDArray[np.float64],
    gaps_ms: npt.NDArray[np.float64],
    heat: npt.NDArray[np.float64],
) -> list[str]:
    reasons = []
    longest_us = coil.longest_pulse_ticks / TICKS_PER_US
    if widths_us.max() > longest_us:
        reasons.append(
            f"striker {name!r}: a pulse of {widths_us.max():g} µs; at most {longest_us:g} µs are "
            "allowed: ask for less force, or a shorter pulse"
        )
    least_ms = coil.least_gap_ticks / TICKS_PER_US / 1000.0
    if _least(gaps_ms) < least_ms:
        reasons.append(
            f"striker {name!r}: {_least(gaps_ms):.2f} ms from pulse to pulse; it takes "
            f"{least_ms:g} ms to return: ask for a slower rate or longer gaps, or let strikers "
            "take turns"
        )
    elif _least(gaps_ms - widths_us / 1000.0) * 1000.0 < PULSE_REST_US:
        reasons.append(
            f"striker {name!r}: less than {PULSE_REST_US} µs from the end of a pulse to the next: "
            "ask for longer gaps"
        )
    if heat.max() > 1.0:
        reasons.append(
            f"striker {name!r}: its coil would reach {100.0 * heat.max():.0f} % of its heat "
            "budget; ask for fewer strokes, less force or longer intervals"
        )
    return reasons


def _least(values: npt.NDArray[np.float64]) -> float:
    """Least of the finite values; NaN if there is none, and NaN is below nothing."""
    finite = values[np.isfinite(values)]
    return float(finite.min()) if finite.size else np.nan


def _run_times_us(plan: Plan) -> npt.NDArray[np.int64]:
    """Coil starts as if each burst began the moment the one before ends: the hottest case."""
    durations = plan.bursts["duration_us"].to_numpy()
    begins = np.cumsum(durations) - durations
    by_burst = pd.Series(begins, index=plan.bursts["burst"].to_numpy())
    offsets = by_burst.reindex(plan.strikes["burst"]).to_numpy()
    return np.asarray(offsets + plan.strikes["time_us"].to_numpy(), dtype=np.int64)


def _gaps_ms(plan: Plan) -> npt.NDArray[np.float64]:
    """From each pulse to the next one of its striker; NaN for the last."""
    times = pd.Series(_run_times_us(plan))
    after = times.groupby(plan.strikes["striker"].to_numpy()).shift(-1)
    return np.asarray((after - times) / 1000.0, dtype=np.float64)


def _clearances_us(plan: Plan) -> npt.NDArray[np.float64]:
    """From each pulse to the next one of any striker; NaN for the last."""
    return np.diff(_run_times_us(plan).astype(np.float64), append=np.nan)


def _heat_shares(plan: Plan, bench: BenchFile, limits: AgreedLimits) -> npt.NDArray[np.float64]:
    """Share of its coil's heat budget that the board sees when it takes in each strike.

    The board's leaky integrator: in each whole millisecond heat loses its 1/tau share. A strike is
    taken in while others wait, so the widths of the waiting ones count in full.
    """
    shares = np.zeros(len(plan.strikes))
    times_ms = _run_times_us(plan) / 1000.0
    for striker, coil in zip(bench.strikers, limits.coils, strict=False):
        own = np.flatnonzero((plan.strikes["striker"] == striker.id).to_numpy())
        if not own.size:
            continue
        ticks = np.round(plan.strikes["width_us"].to_numpy()[own] * TICKS_PER_US)
        keep = 1.0 - 1.0 / coil.heat_time_constant_ms
        kept = keep ** np.floor(np.diff(times_ms[own], prepend=times_ms[own[0]]))
        before = np.empty(own.size)
        heat = 0.0
        pairs = zip(kept.tolist(), ticks.tolist(), strict=True)
        for place, (share, gain) in enumerate(pairs):
            before[place] = heat = heat * share
            heat += gain
        bursts = plan.strikes["burst"].to_numpy()[own]
        first = np.searchsorted(bursts, bursts)  # first of the same burst
        oldest = np.maximum(first, np.arange(own.size) - (QUEUE_STRIKES - 1))
        total = np.concatenate([[0.0], np.cumsum(ticks)])
        waiting = total[1:] - total[oldest]
        shares[own] = (before[oldest] + waiting) / max(coil.heat_budget_ticks, 1)
    return shares
