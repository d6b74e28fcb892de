"""Copper and coils against handbook values and an integrated circuit."""

import msgspec
import numpy as np
import pytest
from scipy.integrate import solve_ivp

from rig.record.bench_file import StrikerFacts
from rig.record.coil_warmth import (
    COPPER_ZERO_C,
    coil_temperatures_c,
    copper_ohm,
    copper_temperature_c,
    equal_width_us,
    pulse_energy_j,
)

STRIKER = StrikerFacts(
    id="A",
    coil_resistance_ohm=6.0,
    coil_inductance_mh=30.0,
    supply_v=24.0,
    longest_pulse_us=8000.0,
    least_gap_ms=40.0,
    thermal_time_constant_s=100.0,
    duty_percent=10.0,
    heat_capacity_j_per_k=20.0,
)


@pytest.mark.parametrize(
    ("temperature_c", "ratio"), [(20.0, 1.0), (75.0, 1.2161), (100.0, 1.3144), (130.0, 1.4323)]
)
def test_copper(temperature_c, ratio):
    """Resistance over that at 20 °C, alpha 0.00393/K (IEC 60028 in secondary texts), both ways."""
    assert copper_ohm(1.0, temperature_c) == pytest.approx(ratio, abs=1e-4)
    assert copper_temperature_c(6.0 * ratio, 6.0) == pytest.approx(temperature_c, abs=0.02)


def test_copper_by_the_rise_of_resistance():
    """IEC 60034-1's rule with 235 (from memory) agrees within 0.1 %; zero lies at -234.5 °C."""
    assert pytest.approx(-234.5, abs=0.05) == COPPER_ZERO_C
    assert copper_ohm(0.1, 50.0) == pytest.approx(0.11179, abs=1e-5)
    assert copper_ohm(1.0, 100.0) == pytest.approx((235.0 + 100.0) / (235.0 + 20.0), rel=1e-3)


@pytest.mark.parametrize("width_us", [500.0, 2000.0, 8000.0])
def test_heat_of_a_pulse(width_us):
    """The integral of R i² of the integrated circuit L di/dt = V - R i."""
    found = solve_ivp(
        lambda _, y: [(24.0 - 6.0 * y[0]) / 0.030, 6.0 * y[0] ** 2],
        (0.0, width_us * 1e-6),
        [0.0, 0.0],
        rtol=1e-10,
        atol=1e-14,
    )
    assert pulse_energy_j(STRIKER, width_us) == pytest.approx(found.y[1, -1], rel=1e-7)


def test_temperature_follows_an_integrated_coil():
    """Uneven pulses of uneven widths: the same as C dT/dt = P - C (T - room)/tau in small steps."""
    rng = np.random.default_rng(6)
    on_s = np.cumsum(rng.uniform(0.1, 3.0, 60))
    widths = rng.uniform(500.0, 8000.0, 60)
    found = coil_temperatures_c(STRIKER, on_s, widths, start_c=30.0, ambient_c=20.0)
    temperature, now = 30.0, on_s[0]
    for k, (start, energy) in enumerate(zip(on_s, pulse_energy_j(STRIKER, widths), strict=True)):
        steps = max(1, round((start - now) / 1e-3))
        for _ in range(steps):
            temperature -= (temperature - 20.0) / 100.0 * (start - now) / steps
        assert found[k] == pytest.approx(temperature, abs=0.003)
        temperature, now = temperature + energy / 20.0, start


def test_a_duty_for_ever_settles_where_heat_in_is_heat_out():
    """Steady pulses: the rise is mean power times tau / C (conservation of energy)."""
    on_s = np.arange(0.0, 800.0, 0.1)
    found = coil_temperatures_c(STRIKER, on_s, np.full(len(on_s), 5000.0), 20.0, 20.0)
    mean_power_w = float(pulse_energy_j(STRIKER, 5000.0)) / 0.1
    assert found[-1] == pytest.approx(20.0 + mean_power_w * 100.0 / 20.0, rel=2e-3)


def test_unknown_heat_capacity_and_no_strokes():
    """Without a heat capacity nothing is told; no strokes give no temperatures."""
    unknown = msgspec.structs.replace(STRIKER, heat_capacity_j_per_k=None)
    assert np.isnan(coil_temperatures_c(unknown, [0.0, 1.0], [3000.0, 3000.0], 20.0, 20.0)).all()
    assert coil_temperatures_c(STRIKER, [], [], 20.0, 20.0).shape == (0,)
    assert np.isnan(equal_width_us(STRIKER, 3000.0, np.nan, 20.0))


def test_equal_widths():
    """None is changed between equal temperatures; a warmer coil needs longer; there and back."""
    widths = np.array([1500.0, 3000.0, 6000.0])
    np.testing.assert_allclose(equal_width_us(STRIKER, widths, 50.0, 50.0), widths, rtol=1e-12)
    warm = equal_width_us(STRIKER, widths, 20.0, 60.0)
    assert (warm > widths).all()
    np.testing.assert_allclose(equal_width_us(STRIKER, warm, 60.0, 20.0), widths, rtol=1e-9)


def test_equal_widths_drive_alike():
    """The integrals of i³ of both pulses agree, by quadrature of the currents."""
    cold, warm = 3000.0, float(equal_width_us(STRIKER, 3000.0, 20.0, 60.0))

    def drive(width_us, ohm):
        t = np.linspace(0.0, width_us * 1e-6, 20_001)
        return np.trapezoid((24.0 / ohm * -np.expm1(-t * ohm / 0.030)) ** 3, t)

    assert drive(warm, float(copper_ohm(6.0, 60.0))) == pytest.approx(drive(cold, 6.0), rel=1e-6)
