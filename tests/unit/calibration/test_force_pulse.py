"""Force pulses of known peak, impulse, duration and start."""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from analysis.force_pulse import measure_pulses, pulses_in

RATE_HZ = 96_000
SCALE_N = 200.0


def half_sine(peak_n, duration_s, start_s, frames=3000, rate_hz=RATE_HZ):
    """A half sine of force."""
    t = np.arange(frames) / rate_hz - start_s
    inside = (t > 0.0) & (t < duration_s)
    return np.where(inside, peak_n * np.sin(math.pi * t / duration_s), 0.0)


@pytest.mark.parametrize("offset", [0.0, 0.31, 0.77])
def test_half_sine(offset):
    """A half sine's area is 2/pi of peak times duration; its start lies between samples.

    100 N over 3 ms are 0.190986 N s (calculus).
    """
    found = pulses_in(half_sine(100.0, 3e-3, (500 + offset) / RATE_HZ), RATE_HZ)
    assert found.shape == (1, 4)
    contact, peak, impulse, duration = found[0]
    assert contact == pytest.approx(500 + offset, abs=0.05)
    assert peak == pytest.approx(100.0, rel=5e-4)
    assert impulse == pytest.approx(0.190986, rel=1e-4)
    assert duration == pytest.approx(3e-3, rel=1e-3)


def test_elastic_sphere():
    """A steel sphere of 10 mm radius strikes steel at 1 m/s, and comes back as fast.

    E* 115.38 GPa, peak 1750.47 N, contact 69.110 us, impulse 2 m v = 0.065764 N s: Hertz's theory,
    computed two ways; here its equation of motion is integrated and sampled.
    """
    mass, stiffness = 4.0 / 3.0 * math.pi * 0.01**3 * 7850.0, 4.0 / 3.0 * 115.38e9 * math.sqrt(0.01)
    path = solve_ivp(
        lambda _, y: [y[1], -stiffness / mass * max(y[0], 0.0) ** 1.5],
        (0.0, 75e-6),
        [0.0, 1.0],
        rtol=1e-10,
        atol=1e-14,
        dense_output=True,
    )
    rate_hz = 5e6
    force = stiffness * np.maximum(path.sol(np.arange(0.0, 75e-6, 1.0 / rate_hz))[0], 0.0) ** 1.5
    found = pulses_in(np.concatenate([np.zeros(50), force]), rate_hz)
    contact, peak, impulse, duration = found[0]
    assert peak == pytest.approx(1750.47, rel=1e-3)
    assert impulse == pytest.approx(0.065764, rel=1e-3)
    # the flanks begin flat (t to the power 1.5), so that lines drawn on to zero cut a little off
    assert duration == pytest.approx(69.110e-6, rel=0.04)
    assert duration < 69.110e-6
    assert contact / rate_hz == pytest.approx(50 / rate_hz, abs=1.5e-6)


def test_noise_does_not_lift_the_peak():
    """At 34 dB over the noise mean peak and impulse stay true within 0.3 %, the start in 20 us."""
    rng = np.random.default_rng(8)
    clean = half_sine(10.0, 2e-3, 0.005)
    found = np.array(
        [pulses_in(clean + 0.2 * rng.standard_normal(3000), RATE_HZ, 0.2)[0] for _ in range(100)]
    )
    contact, peak, impulse, _ = found.mean(axis=0)
    assert peak == pytest.approx(10.0, rel=3e-3)
    assert impulse == pytest.approx(2.0 / math.pi * 10.0 * 2e-3, rel=3e-3)
    assert contact == pytest.approx(480.0, abs=2.0)


@pytest.mark.parametrize(
    "force", [np.zeros(0), np.zeros(500), np.full(500, np.nan), -half_sine(5.0, 2e-3, 0.005)]
)
def test_no_contact(force):
    """Nothing, silence, NaN and a pull are no contact."""
    assert pulses_in(force, RATE_HZ).shape == (0, 4)


def test_noise_is_no_contact():
    """Ten seconds of noise alone hold no pulse."""
    noise = 0.01 * np.random.default_rng(2).standard_normal(10 * RATE_HZ)
    assert len(pulses_in(noise, RATE_HZ, 0.01)) == 0


def recorded(force, seed=1):
    """A force channel: an offset, noise, and full scale at 200 N."""
    rng = np.random.default_rng(seed)
    samples = force / SCALE_N + 0.003 + 2e-5 * rng.standard_normal(len(force))
    return np.clip(samples, -1.0, 1.0)


def test_each_strike_gets_its_own_pulse():
    """Scale, zero and flight: one row a strike, in its order, also for one that was never made."""
    force = np.zeros(3 * RATE_HZ)
    for second, peak in ((1.0, 40.0), (1.4, 0.8)):
        force += half_sine(peak, 2e-3, second + 0.007, len(force))
    samples = recorded(force)
    drives = np.array([1.0, np.nan, 1.4, 2.0]) * RATE_HZ
    found = measure_pulses(lambda a, n: samples[a : a + n], drives, RATE_HZ, SCALE_N)
    np.testing.assert_array_equal(found.contacts, [1, 0, 1, 0])
    np.testing.assert_allclose(found.peak_n[[0, 2]], [40.0, 0.8], rtol=0.01)
    np.testing.assert_allclose((found.contact_frame - drives)[[0, 2]] / RATE_HZ, 0.007, atol=2e-5)
    assert np.isnan(found.peak_n[[1, 3]]).all()
    assert not found.clipped.any()


def test_second_contact_and_full_scale_are_told():
    """A plunger that comes back counts as two contacts; a sample at full scale as clipped."""
    force = half_sine(30.0, 2e-3, 0.107, RATE_HZ) + half_sine(5.0, 2e-3, 0.125, RATE_HZ)
    force += half_sine(260.0, 2e-3, 0.507, RATE_HZ)
    samples = recorded(force)
    drives = np.array([0.1, 0.5]) * RATE_HZ
    found = measure_pulses(lambda a, n: samples[a : a + n], drives, RATE_HZ, SCALE_N)
    np.testing.assert_array_equal(found.contacts, [2, 1])
    np.testing.assert_array_equal(found.clipped, [False, True])
    assert found.peak_n[0] == pytest.approx(30.0, rel=2e-3)


def test_strikes_at_the_ends_of_the_recording():
    """Too little silence before, or a recording that ends: no figure rather than a wrong one."""
    samples = recorded(half_sine(30.0, 2e-3, 0.105, 12_000))
    drives = np.array([2.0, 0.1 * RATE_HZ, 11_999.0, 50_000.0])
    found = measure_pulses(lambda a, n: samples[a : a + n], drives, RATE_HZ, SCALE_N)
    np.testing.assert_array_equal(np.isfinite(found.peak_n), [False, True, False, False])
