"""The pad's modes and the sensor's voltage, against Bessel zeros, a simulator and itself."""

import numpy as np
import pytest
from made_contact import make_contact
from scipy.signal import lsim, resample_poly

from rig.simulation.contact import pulse
from rig.simulation.pad import Pad, driven, mode_table
from rig.simulation.presets import PADS

# Ideal circular membrane, frequency over the lowest (Fletcher and Rossing, ch. 3, from memory)
MEMBRANE_RATIOS = [
    1.0,
    1.5933,
    2.1355,
    2.2954,
    2.6531,
    2.9173,
    3.1555,
    3.5001,
    3.5985,
    3.6475,
    4.0589,
]


def test_membrane_modes_are_the_handbooks():
    """Ratios of the lowest eleven modes agree to their four decimals."""
    ratios = sorted(ratio for _, ratio, _ in mode_table("membrane"))
    assert ratios == pytest.approx(MEMBRANE_RATIOS, abs=6e-5)


def test_ringing_holds_the_membrane_modes():
    """Spectral peaks of a rendered mesh stroke lie at those ratios of the lowest."""
    pad = Pad(PADS["loam-mesh"])
    sound = pad.sound(make_contact(position=0.45))
    rate = 48_000
    ring = sound.parts(np.arange(rate) / rate + 0.004)["ringing"]
    spectrum = np.abs(np.fft.rfft(ring, 8 * rate))
    lowest = PADS["loam-mesh"].lowest_hz
    for ratio in (1.0, 1.5933, 2.2954):
        around = np.arange(int(8 * (lowest * ratio - 25)), int(8 * (lowest * ratio + 25)))
        found = around[spectrum[around].argmax()] / 8.0
        assert found == pytest.approx(lowest * ratio, abs=6.0)


def test_centre_strike_leaves_nodal_diameters_alone():
    """Modes with a nodal diameter have their node at the centre: J_m(0) = 0 for m > 0."""
    pad = Pad(PADS["loam-mesh"])
    weights = pad.weights(0.0, 0.0)
    diameters = np.array([m for m, _, _ in mode_table("membrane")])
    assert (weights[diameters > 0] == 0.0).all()
    assert (np.abs(weights[diameters == 0]) > 0.0).all()


def test_driven_mode_is_that_of_a_simulator():
    """A mode driven by a contact agrees with scipy's linear simulator to 0.01 % of its peak."""
    duration, s = 2e-3, np.array([-40.0 + 2j * np.pi * 400.0])
    t = np.linspace(0.0, duration, 20_001)
    w = s[0].imag
    numerator, denominator = [w], [1.0, -2 * s[0].real, abs(s[0]) ** 2]
    _, expected, _ = lsim((numerator, denominator), pulse(t / duration), t)
    found = driven(s, t, duration)[0].imag
    assert np.abs(found - expected).max() < 1e-4 * np.abs(expected).max()


@pytest.mark.parametrize("name", PADS)
def test_level_is_proportional_to_force(name):
    """The exponent of level over force is 1 from 0.5 to 70 N, whatever the contact's duration."""
    pad = Pad(PADS[name])
    forces = np.geomspace(0.5, 70.0, 8)
    t = np.arange(1, 1000) * 2.5e-6
    levels = []
    for force in forces:
        parts = pad.sound(make_contact(float(force))).parts(t)
        levels.append(np.abs(parts["stroke"] + parts["ringing"]).max())
    slope = np.polyfit(np.log(forces), np.log(levels), 1)[0]
    assert slope == pytest.approx(1.0, abs=5e-4)
    assert levels == pytest.approx(forces / pad.figures.full_scale_n, rel=1e-3)


def test_mesh_has_its_late_peak():
    """About 10 ms after the onset the mesh sends a broader peak that tops the first one."""
    sound = Pad(PADS["loam-mesh"]).sound(make_contact(15.0))
    t = np.arange(0.0, 0.03, 1e-5)
    wave = np.abs(sound.voltage(t))
    assert 8.0 < t[wave.argmax()] * 1e3 < 12.0
    assert wave.max() > 1.05 * sound.level


@pytest.mark.parametrize("name", PADS)
@pytest.mark.parametrize("rate_hz", [48_000, 192_000])
def test_rendered_samples_are_the_closed_form(name, rate_hz):
    """Samples of a whole stroke lie within -90 dB of full scale of the exact voltage."""
    sound = Pad(PADS[name]).sound(make_contact(40.0, contact_s=0.0123456789))
    first, wave = sound.render(0.001, 1.0 / rate_hz)
    times = 0.001 + (first + np.arange(len(wave))) / rate_hz
    exact = sound.voltage(times - sound.contact.contact_s)
    assert times[0] >= sound.contact.contact_s > times[0] - 1.0 / rate_hz
    assert np.abs(wave - exact).max() < 3e-5


def test_stroke_keeps_its_place_at_every_rate():
    """The same stroke at 48 and 192 kHz lies at the same instant to 0.2 µs.

    By the phase of the cross spectrum below 4 kHz, after scipy's resampler.
    """
    sound = Pad(PADS["loam-mesh"]).sound(make_contact(25.0, contact_s=0.01 + 7.7e-6))
    waves = {}
    for rate_hz in (48_000, 192_000):
        first, wave = sound.render(0.0, 1.0 / rate_hz)
        placed = np.zeros(rate_hz // 4)
        part = wave[: len(placed) - first]
        placed[first : first + len(part)] = part
        waves[rate_hz] = placed
    coarse = resample_poly(waves[48_000], 4, 1)
    cross = np.fft.rfft(coarse) * np.conj(np.fft.rfft(waves[192_000]))
    hz = np.fft.rfftfreq(len(coarse), 1.0 / 192_000)
    band = (hz > 50.0) & (hz < 4000.0)
    weight = np.abs(cross[band])
    turn = 2 * np.pi * hz[band]
    delay_s = -np.sum(weight * turn * np.angle(cross[band])) / np.sum(weight * turn**2)
    assert abs(delay_s) < 2e-7


@pytest.mark.parametrize("name", PADS)
@pytest.mark.parametrize("force_n", [1.0, 8.0, 60.0])
def test_onset_is_where_one_percent_is_passed(name, force_n):
    """On a grid of 0.1 µs the stroke alone is below 1 % of its peak before the onset only."""
    sound = Pad(PADS[name]).sound(make_contact(force_n))
    peak = np.abs(sound.voltage(np.arange(0.0, 0.05, 5e-6))).max()
    since = sound.onset_s - sound.contact.contact_s
    before = np.abs(sound.voltage(np.arange(0.0, since - 5e-8, 1e-7)))
    assert (before < 0.01 * peak).all()
    assert np.abs(sound.voltage(np.array([since])))[0] == pytest.approx(0.01 * peak, rel=2e-3)
    assert 2e-6 < since < 60e-6


def test_soft_stroke_stands_above_the_noise():
    """1 N is at least 26 dB above the rms of noise and hum on every pad."""
    for figures in PADS.values():
        hum = sum(amplitude**2 / 2.0 for _, amplitude in figures.hum)
        rms = np.sqrt(figures.noise_rms**2 + hum)
        assert 20.0 * np.log10(1.0 / figures.full_scale_n / rms) >= 26.0


def test_unknown_kind_is_refused():
    """A pad is a membrane or a plate."""
    with pytest.raises(ValueError, match="membrane or a plate"):
        mode_table("bell")
