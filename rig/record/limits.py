"""The limits that host and board agree on before anything is armed."""

from __future__ import annotations

import math

import msgspec

from rig.record.bench_file import BenchFile, StrikerFacts

TICKS_PER_US = 2
TICKS_PER_S = 2_000_000


class CoilLimits(msgspec.Struct, frozen=True, kw_only=True):
    """Limits of one coil.

    The heat budget is a leaky integrator of on-time: it gains one tick for each tick on, and loses
    its ``1/heat_time_constant_ms`` share in each millisecond; a strike whose pulse would lift it
    above ``heat_budget_ticks`` is refused, and a coil above it trips.
    """

    longest_pulse_ticks: int
    least_gap_ticks: int
    heat_time_constant_ms: int
    heat_budget_ticks: int


class AgreedLimits(msgspec.Struct, frozen=True, kw_only=True):
    """Limits of the whole board, as echoed by it."""

    coils: tuple[CoilLimits, ...]
    armed_ms: int
    host_silence_ms: int
    horizon_ms: int
    supply_least_mv: int
    supply_most_mv: int


_LARGEST = 2**32 - 1  # limits travel as unsigned 32 bit figures
_SHORT_LARGEST = 2**16 - 1


def limits_from_bench(bench: BenchFile, coil_count: int | None = None) -> AgreedLimits:
    """Limits that the host asks the board for, from the facts of the bench file.

    The heat budget is the level that the coil's standing duty settles at: a duty ``d`` gains
    ``2000 d`` ticks and loses ``heat / tau`` in each millisecond, so ``heat = 2000 d tau``.

    Parameters
    ----------
    bench
        Its strikers in order are the board's coils 0, 1, ….
    coil_count
        Coils of the board, if it has more than the bench has strikers: the others get a heat
        budget of nothing, so that no pulse is allowed on them.
    """
    coils = [_coil_limits(striker) for striker in bench.strikers]
    for _ in range((coil_count or 0) - len(coils)):
        coils.append(
            CoilLimits(
                longest_pulse_ticks=1,
                least_gap_ticks=TICKS_PER_S,
                heat_time_constant_ms=1000,
                heat_budget_ticks=0,
            )
        )
    return AgreedLimits(
        coils=tuple(coils),
        armed_ms=min(int(bench.limits.armed_s * 1000.0), _LARGEST),
        host_silence_ms=min(int(bench.limits.host_silence_ms), _LARGEST),
        horizon_ms=min(int(bench.limits.horizon_s * 1000.0), _LARGEST),
        supply_least_mv=min(math.ceil(bench.limits.supply_least_v * 1000.0), _SHORT_LARGEST),
        supply_most_mv=min(int(bench.limits.supply_most_v * 1000.0), _SHORT_LARGEST),
    )


def _coil_limits(striker: StrikerFacts) -> CoilLimits:
    time_constant_ms = max(1, int(striker.thermal_time_constant_s * 1000.0))
    budget_ticks = striker.duty_percent / 100.0 * TICKS_PER_S / 1000.0 * time_constant_ms
    return CoilLimits(
        longest_pulse_ticks=int(striker.longest_pulse_us * TICKS_PER_US),
        least_gap_ticks=math.ceil(striker.least_gap_ms * 1000.0 * TICKS_PER_US),
        heat_time_constant_ms=min(time_constant_ms, _LARGEST),
        heat_budget_ticks=min(int(budget_ticks), _LARGEST),
    )
