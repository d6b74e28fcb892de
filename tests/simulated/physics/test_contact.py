"""Hertz's impact, against an integration of its equation of motion and a worked case."""

import math

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp

from rig.simulation.contact import (
    HERTZ_DURATION,
    hertz_impact,
    hertz_stiffness,
    joint_modulus,
    pulse,
)

# Two steel bodies: sphere of 10 mm radius and 7850 kg/m3, E 210 GPa, Poisson's ratio 0.3, 1 m/s
# on a plane of the same. Worked from Hertz's formulas in two ways (quadrature and ODE).
STEEL_RADIUS_M = 0.010
STEEL_MASS_KG = 7850.0 * 4.0 / 3.0 * math.pi * STEEL_RADIUS_M**3
STEEL_MODULUS_PA = 210e9 / (1.0 - 0.3**2)


def _traced(mass_kg: float, speed: float, stiffness: float):
    """Motion m x'' = -k x**1.5 until the bodies part, by scipy's integrator."""

    def motion(_t, state):
        return [state[1], -stiffness / mass_kg * max(state[0], 0.0) ** 1.5]

    def parted(_t, state):
        return state[0] if state[1] < 0.0 else 1.0

    parted.terminal, parted.direction = True, -1.0
    return solve_ivp(motion, (0, 1.0), [0.0, speed], events=parted, rtol=1e-10, atol=1e-14)


def test_duration_constant_is_the_handbooks():
    """T v / d is 2.94 (Johnson, Contact Mechanics, 11.4, from memory; quadrature: 2.943275184)."""
    integral, _ = quad(lambda u: 2.0 / math.sqrt(1.0 - u**2.5), 0.0, 1.0)
    assert pytest.approx(2.943275184, rel=1e-9) == HERTZ_DURATION
    assert pytest.approx(integral, rel=1e-6) == HERTZ_DURATION


def test_worked_steel_case():
    """Steel on steel: E* 115.38 GPa, 23.481 µm, 69.110 µs, 1750.47 N, momentum 2 m v."""
    modulus = joint_modulus(STEEL_MODULUS_PA, STEEL_MODULUS_PA)
    assert modulus == pytest.approx(115.38e9, rel=1e-4)
    stiffness = hertz_stiffness(modulus, STEEL_RADIUS_M)
    compression, force, duration = hertz_impact(STEEL_MASS_KG, 1.0, stiffness)
    assert compression == pytest.approx(23.481e-6, rel=1e-4)
    assert force == pytest.approx(1750.47, rel=1e-4)
    assert duration == pytest.approx(69.110e-6, rel=1e-4)
    # 2.87 (m**2 / (R E***2 v))**0.2: Johnson, Contact Mechanics, 11.4 (from memory)
    handbook = 2.8683 * (STEEL_MASS_KG**2 / (STEEL_RADIUS_M * modulus**2 * 1.0)) ** 0.2
    assert duration == pytest.approx(handbook, rel=2e-5)
    t = np.linspace(0.0, duration, 20_001)
    assert np.trapezoid(force * pulse(t / duration), t) == pytest.approx(0.065764, rel=1e-4)


@pytest.mark.parametrize(("mass_kg", "speed"), [(0.03, 0.05), (0.03, 0.9), (0.2, 0.3)])
def test_impact_follows_the_equation_of_motion(mass_kg, speed):
    """Compression, peak force and duration agree with an ODE solver; the pulse has its shape."""
    stiffness = 5e6
    path = _traced(mass_kg, speed, stiffness)
    compression, force, duration = hertz_impact(mass_kg, speed, stiffness)
    assert path.t[-1] == pytest.approx(duration, rel=1e-6)
    traced = stiffness * np.maximum(path.y[0], 0.0) ** 1.5
    assert compression**1.5 * stiffness == pytest.approx(force, rel=1e-12)
    assert traced.max() == pytest.approx(force, rel=5e-3)
    assert np.abs(force * pulse(path.t / duration) - traced).max() < 0.035 * force


def test_duration_falls_with_the_fifth_root_of_speed():
    """T ~ v**(-1/5) and F ~ v**(6/5), Hertz; the first confirmed by Gugan, Am J Phys 68:920."""
    speeds = np.geomspace(0.02, 1.0, 9)
    figures = np.array([hertz_impact(0.03, v, 5e6) for v in speeds])
    slopes = np.polyfit(np.log(speeds), np.log(figures[:, 1:]), 1)[0]
    assert slopes == pytest.approx([1.2, -0.2], abs=1e-9)


@pytest.mark.parametrize("restitution", [0.0, 0.4, 1.0])
def test_impulse_is_the_change_of_momentum(restitution):
    """The area of the force is m (v_in + v_out)."""
    _, force, duration = hertz_impact(0.03, 0.7, 5e6, restitution)
    t = np.linspace(0.0, duration, 20_001)
    area = np.trapezoid(force * pulse(t / duration), t)
    assert area == pytest.approx(0.03 * 0.7 * (1.0 + restitution), rel=1e-6)


@pytest.mark.parametrize(("mass_kg", "speed"), [(0.03, 0.0), (0.0, 1.0), (0.03, math.nan)])
def test_no_impact_has_no_figures(mass_kg, speed):
    """Without mass or speed every figure is NaN, never a number."""
    assert np.isnan(hertz_impact(mass_kg, speed, 5e6)).all()
    assert pulse([math.nan, -0.1, 1.1, 0.0]).tolist() == [0.0, 0.0, 0.0, 0.0]
