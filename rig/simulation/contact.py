"""The contact of a striker's tip with a pad: Hertz's impact of a sphere on a plane."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import numpy.typing as npt
from scipy.special import gamma

HERTZ_DURATION = float(2.0 * math.sqrt(math.pi) * gamma(1.4) / gamma(0.9))
"""Contact duration x velocity / deepest compression of an elastic Hertz impact (Johnson, Contact
Mechanics, section 11.4: 2.94)."""

HERTZ_IMPULSE = 2.0 / (1.25 * HERTZ_DURATION)
"""Impulse over (peak force x duration) of it: 2 m v / (F T), with F = 1.25 m v**2 / compression."""

_THIRD = 0.75 * (HERTZ_IMPULSE * math.pi / 2.0 - 1.0)
PULSE_TERMS: tuple[tuple[int, float], ...] = ((1, 1.0 + _THIRD), (3, _THIRD))
"""Force over peak force is the sum of ``a sin(n pi t / T)``: Hertz's peak and impulse."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Contact:
    """One meeting of a tip and the pad.

    ``strike``: number of the coil pulse, from 0, over all strikers. ``traced_s``: the instant on
    the plunger's trajectory, before the spread of flight was added (to tell which contacts a later
    pulse or cut can still change).
    """

    strike: int
    striker: str
    coil: int
    coil_on_s: float
    contact_s: float
    traced_s: float
    velocity_m_per_s: float
    force_n: float
    duration_s: float
    position: float
    angle_rad: float
    temperature_c: float


def hertz_stiffness(modulus_pa: float, radius_m: float) -> float:
    """Stiffness k of F = k d**1.5 between a sphere and a plane: 4/3 E* sqrt(R), in N/m**1.5."""
    return 4.0 / 3.0 * modulus_pa * math.sqrt(radius_m)


def joint_modulus(*moduli_pa: float) -> float:
    """Contact modulus E* of bodies pressed together: their reciprocals add."""
    return 1.0 / sum(1.0 / modulus for modulus in moduli_pa)


def hertz_impact(
    mass_kg: float, velocity_m_per_s: float, stiffness: float, restitution: float = 1.0
) -> tuple[float, float, float]:
    """Deepest compression, peak force and duration of an impact.

    Compression lasts half of Hertz's elastic duration and takes up the momentum m v; the recovery
    gives back only ``restitution`` of it, in as much less time, so that the impulse is
    m v (1 + restitution).

    Parameters
    ----------
    mass_kg, velocity_m_per_s
        Of the striker; the pad's own mass stays out.
    stiffness
        N/m**1.5, of :func:`hertz_stiffness`.
    restitution
        Rebound over approach velocity, 0 to 1.

    Returns
    -------
    compression_m, force_n, duration_s
        All NaN when velocity or mass is not above 0.
    """
    if not (mass_kg > 0.0 and velocity_m_per_s > 0.0):
        return math.nan, math.nan, math.nan
    compression = (1.25 * mass_kg * velocity_m_per_s**2 / stiffness) ** 0.4
    duration = HERTZ_DURATION * compression / velocity_m_per_s
    return compression, stiffness * compression**1.5, duration * (1.0 + restitution) / 2.0


def pulse(phase: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Force over peak force at ``phase`` = time / duration; 0 outside of 0..1 (and for NaN)."""
    u = np.asarray(phase, dtype=np.float64)
    inside = (u > 0.0) & (u < 1.0)
    angle = math.pi * np.where(inside, u, 0.0)
    return np.asarray(sum(share * np.sin(order * angle) for order, share in PULSE_TERMS))
