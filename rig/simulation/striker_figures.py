"""What one striker is made of."""

from __future__ import annotations

import dataclasses


@dataclasses.dataclass(frozen=True, kw_only=True)
class StrikerFigures:
    """What one striker is made of.

    The pull is ``pull_n_per_a2 * i**2 / (1 + (gap_m - x) / pull_gap_m)**2``: it grows as the
    plunger closes its air gap.
    """

    id: str
    mass_kg: float
    gap_m: float
    resistance_ohm: float
    inductance_h: float
    supply_v: float
    clamp_v: float
    pull_n_per_a2: float
    pull_gap_m: float
    preload_n: float
    spring_n_per_m: float
    friction_n: float
    tip_modulus_pa: float
    tip_radius_m: float
    heat_capacity_j_per_k: float
    thermal_time_constant_s: float
    angle_rad: float
    stop_restitution: float = 0.2
    force_spread: float = 0.02
    flight_spread_s: float = 60e-6
    position_spread: float = 0.01
