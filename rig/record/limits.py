"""The limits that host and board agree on before anything is armed."""

from __future__ import annotations

import msgspec

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
