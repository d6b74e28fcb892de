"""Limits as the board keeps them: never looser than its hard constants."""

from __future__ import annotations

from rig.link.messages import HARD_LIMITS
from rig.record.limits import AgreedLimits, CoilLimits


def hard_limits() -> AgreedLimits:
    """Limits in force before any are agreed on."""
    coil = CoilLimits(
        longest_pulse_ticks=HARD_LIMITS["longest_pulse_ticks"],
        least_gap_ticks=HARD_LIMITS["least_gap_ticks"],
        heat_time_constant_ms=HARD_LIMITS["heat_time_constant_least_ms"],
        heat_budget_ticks=HARD_LIMITS["heat_budget_ticks"],
    )
    return clamped(
        AgreedLimits(
            coils=(coil,) * HARD_LIMITS["coil_count"],
            armed_ms=HARD_LIMITS["armed_ms"],
            host_silence_ms=HARD_LIMITS["host_silence_ms"],
            horizon_ms=HARD_LIMITS["horizon_ms"],
            supply_least_mv=HARD_LIMITS["supply_least_mv"],
            supply_most_mv=HARD_LIMITS["supply_most_mv"],
        )
    )


def clamped(asked: AgreedLimits) -> AgreedLimits:
    """Asked-for limits, each figure no looser than its hard constant."""
    hard = HARD_LIMITS
    return AgreedLimits(
        coils=tuple(_clamped_coil(coil) for coil in asked.coils),
        armed_ms=min(asked.armed_ms, hard["armed_ms"]),
        host_silence_ms=min(asked.host_silence_ms, hard["host_silence_ms"]),
        horizon_ms=min(asked.horizon_ms, hard["horizon_ms"]),
        supply_least_mv=max(asked.supply_least_mv, hard["supply_least_mv"]),
        supply_most_mv=min(asked.supply_most_mv, hard["supply_most_mv"]),
    )


def _clamped_coil(coil: CoilLimits) -> CoilLimits:
    hard = HARD_LIMITS
    constant_ms = max(coil.heat_time_constant_ms, hard["heat_time_constant_least_ms"])
    return CoilLimits(
        longest_pulse_ticks=min(coil.longest_pulse_ticks, hard["longest_pulse_ticks"]),
        least_gap_ticks=max(coil.least_gap_ticks, hard["least_gap_ticks"]),
        heat_time_constant_ms=constant_ms,
        heat_budget_ticks=min(
            coil.heat_budget_ticks,
            hard["heat_budget_ticks"],
            constant_ms * hard["heat_ticks_per_time_constant_ms"],
        ),
    )
