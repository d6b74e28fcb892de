"""The striker's coil, heat and plunger, against closed forms and an ODE solver."""

import dataclasses
import math

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp

from rig.simulation.coil import coil_current, copper_resistance, flyback_current
from rig.simulation.presets import STRIKERS
from rig.simulation.striker import Striker

A, B = STRIKERS["A"], STRIKERS["B"]


def _striker(figures=A, **changes):
    return Striker(figures, pad_modulus_pa=4e8, restitution=0.5, **changes)


def test_coil_current_rises_with_its_time_constant():
    """6 ohm, 30 mH: 63.212 % at L/R = 5 ms, 90 % at 11.51 ms, 95 % at 2.9957 L/R (circuit law)."""
    final = 24.0 / 6.0
    share = [coil_current(t, 24.0, 6.0, 0.030) / final for t in (5e-3, 11.513e-3, 14.9787e-3)]
    assert share == pytest.approx([0.63212, 0.9, 0.95], abs=1e-5)


def test_clamp_ends_the_current():
    """With a clamp V the release takes (L/R) ln(1 + I R / V) (circuit law)."""
    release = 0.030 / 6.0 * math.log(1.0 + 4.0 * 6.0 / 48.0)
    assert flyback_current(release * 0.999, 4.0, 48.0, 6.0, 0.030) > 0.0
    assert flyback_current(release * 1.001, 4.0, 48.0, 6.0, 0.030) == 0.0


@pytest.mark.parametrize("clamp_v", [0.7, 48.0])
def test_clamp_and_copper_take_what_the_coil_held(clamp_v):
    """The clamp's and the copper's heat are L I**2 / 2, here 0.24 J (conservation of energy)."""
    release = 0.030 / 6.0 * math.log(1.0 + 4.0 * 6.0 / clamp_v)

    def power(t):
        current = flyback_current(t, 4.0, clamp_v, 6.0, 0.030)
        return clamp_v * current + 6.0 * current**2

    assert quad(power, 0.0, release)[0] == pytest.approx(0.5 * 0.030 * 4.0**2, rel=1e-6)


def test_diode_lets_the_current_fall_with_the_coils_time_constant():
    """Across a mere diode it falls as exp(-t R / L), but for the diode's share (circuit law)."""
    shares = [flyback_current(t, 4.0, 0.7, 6.0, 0.030) / 4.0 for t in (5e-3, 10e-3)]
    assert shares == pytest.approx([math.exp(-1), math.exp(-2)], abs=0.7 / (4.0 * 6.0))
    assert flyback_current(5e-3, 4.0, 1e-9, 6.0, 0.030) / 4.0 == pytest.approx(0.367879, abs=1e-6)


@pytest.mark.parametrize(("celsius", "ratio"), [(75, 1.2161), (100, 1.3144), (130, 1.4323)])
def test_copper_warms(celsius, ratio):
    """R(T) / R20 of copper at three temperatures (IEC 60028 coefficient 0.00393, secondary)."""
    assert copper_resistance(6.0, celsius) / 6.0 == pytest.approx(ratio, abs=5e-4)


def test_copper_of_a_meter():
    """0.1 ohm at 20 °C is 0.11179 ohm at 50 °C (meter manual, 3930 ppm/°C)."""
    assert copper_resistance(0.1, 50.0) == pytest.approx(0.11179, abs=1e-6)


def test_pulse_heat_is_the_integral_of_power():
    """The rise after one pulse is its integral of R i**2 over the heat capacity."""
    striker = _striker()
    striker.strike(0.0, 4e-3)
    r = copper_resistance(A.resistance_ohm, 21.0)
    joule, _ = quad(lambda t: r * coil_current(t, A.supply_v, r, A.inductance_h) ** 2, 0.0, 4e-3)
    rise = striker.temperature_c(4e-3) - 21.0
    assert rise == pytest.approx(joule / A.heat_capacity_j_per_k, rel=1e-6)


def test_duty_sets_the_steady_temperature():
    """At a duty of 50 % the coil settles where mean power equals what it sheds.

    Duty as on_time / (on_time + off_time), the trade's ED (Beckhoff's definition).
    """
    figures = dataclasses.replace(A, thermal_time_constant_s=1.0)
    striker = Striker(figures)
    period, last = 0.02, 300
    for k in range(last + 1):
        striker.strike(k * period, (k + 0.5) * period)
    steady = 0.5 * (
        striker.temperature_c(last * period) + striker.temperature_c((last + 0.5) * period)
    )
    r = copper_resistance(figures.resistance_ohm, steady)
    power, _ = quad(
        lambda t: r * coil_current(t, figures.supply_v, r, figures.inductance_h) ** 2,
        0.0,
        period / 2,
    )
    shed = (steady - 21.0) * figures.heat_capacity_j_per_k / figures.thermal_time_constant_s
    assert shed == pytest.approx(power / period, rel=0.02)


@pytest.mark.parametrize("figures", [A, B], ids="AB")
@pytest.mark.parametrize("width_s", [2.1e-3, 2.7e-3, 3.9e-3])
def test_flight_agrees_with_an_ode_solver(figures, width_s):
    """Flight within 5 µs and velocity within 0.2 % of scipy's integrator on the same forces."""
    contact = _striker(figures).strike(0.0, width_s)[0]
    r = copper_resistance(figures.resistance_ohm, 21.0)
    peak = coil_current(width_s, figures.supply_v, r, figures.inductance_h)

    def current(t):
        if t <= width_s:
            return coil_current(t, figures.supply_v, r, figures.inductance_h)
        return flyback_current(t - width_s, peak, figures.clamp_v, r, figures.inductance_h)

    def motion(t, state):
        x, v = state
        pull = figures.pull_n_per_a2 * current(t) ** 2
        pull /= (1.0 + (figures.gap_m - x) / figures.pull_gap_m) ** 2
        force = pull - figures.preload_n - figures.spring_n_per_m * x - figures.friction_n
        return [v, (max(0.0, force) if x <= 0.0 and v <= 0.0 else force) / figures.mass_kg]

    def arrives(_t, state):
        return state[0] - figures.gap_m

    arrives.terminal = True
    path = solve_ivp(
        motion, (0, 0.05), [0, 0], events=arrives, max_step=2e-5, rtol=1e-9, atol=1e-12
    )
    assert contact.contact_s == pytest.approx(path.t[-1], abs=5e-6)
    assert contact.velocity_m_per_s == pytest.approx(path.y[1, -1], rel=2e-3)


def test_weak_pulse_never_arrives():
    """A pulse that doesn't carry the plunger across its gap makes no contact."""
    assert _striker().strike(0.0, 1.0e-3) == []
    assert _striker().strike(0.0, 1.8e-3) == []


def test_force_grows_with_width():
    """Wider pulses strike harder and arrive sooner, while the coil is off before contact."""
    contacts = [_striker().strike(0.0, w)[0] for w in np.linspace(1.9e-3, 4.5e-3, 14)]
    assert (np.diff([c.force_n for c in contacts]) > 0).all()
    assert (np.diff([c.contact_s for c in contacts]) < 0).all()
    assert contacts[0].force_n < 2.0
    assert contacts[-1].force_n > 58.0


def test_coil_held_on_strikes_again():
    """A coil still on at the rebound pulls the plunger onto the pad a second time."""
    assert len(_striker().strike(0.0, 3e-3)) == 1
    assert len(_striker().strike(0.0, 15e-3)) > 1


def test_pulse_before_the_return_is_another_stroke():
    """A plunger caught on its way back strikes weaker and later; one at rest strikes the same."""
    first = _striker().strike(0.0, 2.5e-3)[0]
    for gap_s, same in ((0.016, False), (0.045, True)):
        striker = _striker()
        striker.strike(0.0, 2.5e-3)
        second = striker.strike(gap_s, gap_s + 2.5e-3)[0]
        flight = second.contact_s - gap_s
        if same:
            assert second.force_n == pytest.approx(first.force_n, rel=2e-3)
        else:
            assert second.force_n < 0.6 * first.force_n
            assert flight > first.contact_s + 1e-3


@pytest.mark.parametrize("figures", [A, B], ids="AB")
def test_plunger_is_back_in_time(figures):
    """At 3 N and more the plunger rests again 45 ms after its coil went on."""
    for width_s in np.linspace(2.15e-3, 4.4e-3, 6):
        striker = _striker(figures)
        striker.strike(0.0, width_s)
        assert striker._follow(0.045)[1:] == pytest.approx((0.0, 0.0), abs=1e-6)


def test_warm_coil_strikes_weaker():
    """Force falls as copper warms: by 2 to 8 % for 20 K more at a middling stroke."""
    cold, warm = (_striker(ambient_c=c).strike(0.0, 3e-3)[0].force_n for c in (21.0, 41.0))
    assert 0.02 < 1.0 - warm / cold < 0.08


def test_cut_takes_the_force_away():
    """A cut before contact weakens the stroke or takes it; a cut after it changes nothing."""
    whole = _striker().strike(0.0, 3e-3)
    for cut_s in (1.0e-3, 2.4e-3, 20e-3):
        striker = _striker()
        striker.strike(0.0, 3e-3)
        left = striker.cut(cut_s)
        fresh = _striker().strike(0.0, min(3e-3, cut_s))
        assert left == fresh
    assert striker.cut(20e-3) == whole


def test_spread_is_what_it_says():
    """Over 400 strokes: 2 % in force and 60 µs in flight, as declared, and seeded."""
    striker = _striker(seed=5)
    contacts = [striker.strike(k * 0.5, k * 0.5 + 3e-3)[0] for k in range(400)]
    force = np.array([c.force_n for c in contacts])
    flight = np.array([c.contact_s - c.coil_on_s for c in contacts])
    assert force.std() / force.mean() == pytest.approx(0.02, rel=0.2)
    assert flight.std() == pytest.approx(60e-6, rel=0.2)
    again = _striker(seed=5)
    assert again.strike(0.0, 3e-3)[0] == contacts[0]


@pytest.mark.parametrize("pulse_s", [(1.0, 0.5), (-1.0, 0.0), (math.nan, 1.0), (1.0, math.nan)])
def test_impossible_pulse_is_refused(pulse_s):
    """NaN, an end before the begin, or going back in time is an error, never a stroke."""
    striker = _striker()
    striker.strike(0.0, 1e-3)
    with pytest.raises(ValueError, match="coil pulse"):
        striker.strike(*pulse_s)
