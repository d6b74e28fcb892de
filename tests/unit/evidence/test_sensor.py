"""What is said about a sensor, against made signals whose figures are known."""

import math

import numpy as np
import pytest

from analysis import sensor
from analysis.detector import Envelopes

RATE_HZ = 48_000


@pytest.mark.parametrize("t60_s", [0.2, 0.5])
def test_decay_gives_the_decay_of_an_exponential(t60_s: float) -> None:
    """ISO 3382 (from memory): exp(-6.9078 t / T60) integrates back to T60: 0.5 s to 0.5000."""
    t = np.arange(RATE_HZ) / RATE_HZ
    found_s, tau_ms = sensor.decay(np.exp(-6.9078 * t / t60_s), RATE_HZ)
    assert found_s == pytest.approx(t60_s, abs=5e-5)
    assert tau_ms == pytest.approx(1e3 * t60_s / math.log(1000), rel=1e-3)


def test_a_sound_that_does_not_fall_has_no_decay() -> None:
    """Too short, silent or level sounds give NaN."""
    for sound in (np.ones(4), np.zeros(1000), [1.0, 0.9, 0.8] * 2):
        assert all(math.isnan(x) for x in sensor.decay(sound, RATE_HZ))


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_noise_and_mains_are_found(mains_hz: float) -> None:
    """The level of the noise and of each mains line are those put in."""
    rng = np.random.default_rng(51)
    t = np.arange(4 * RATE_HZ) / RATE_HZ
    x = rng.normal(0, 1e-3, t.size)
    x += 3e-3 * np.sin(2 * np.pi * mains_hz * t) + 1e-3 * np.sin(6 * np.pi * mains_hz * t)
    found = sensor.noise(x, RATE_HZ)
    assert found.mains_hz == mains_hz
    assert found.mains[mains_hz].level_dbfs == pytest.approx(20 * math.log10(3e-3), abs=0.2)
    assert found.mains[3 * mains_hz].level_dbfs == pytest.approx(-60.0, abs=0.5)
    assert found.rms == pytest.approx(math.sqrt(1e-6 + 4.5e-6 + 0.5e-6), rel=0.02)
    assert sensor.noise(rng.normal(0, 1e-3, t.size), RATE_HZ).mains_hz == 0.0


def test_noise_level_is_passed_as_seldom_as_it_says() -> None:
    """Over drawn hours, blocks pass the level no more often than stated, and not much less."""
    rng = np.random.default_rng(52)
    found = sensor.noise(rng.normal(0, 1.0, 10 * RATE_HZ), RATE_HZ)
    for false_per_h in (3600.0, 36_000.0):
        level = found.level_for(false_per_h)
        blocks = np.abs(rng.normal(0, 1.0, (6000, 480))).max(axis=1)
        seen_per_h = (blocks > level).mean() * 360_000
        assert 0.1 * false_per_h < seen_per_h < 1.5 * false_per_h


def test_strokes_are_described() -> None:
    """First and highest peak, late peak, clipping, head room and decay of made strokes."""
    t = np.arange(-200, 3000) / 20_000.0
    first = np.where(t >= 0, np.exp(-np.maximum(t, 0) / 0.010), 0.0)
    late = 1.5 * np.exp(-(((t - 0.012) / 0.0005) ** 2))
    level = np.stack([0.5 * first, 0.5 * (first + late), 2.0 * first]).astype(np.float32)
    made = Envelopes(
        level=np.minimum(level, 1.0), rate_hz=20_000.0, onset=200, force_n=np.array([5, 5, 20.0])
    )
    found = sensor.strokes(made)
    assert found["peak_dbfs"][0] == pytest.approx(-6.02, abs=0.01)
    assert list(found["clipped"]) == [False, False, True]
    assert found["head_room_db"][2] == pytest.approx(0.0, abs=1e-6)
    assert found["highest_peak_ms"][1] == pytest.approx(12.0, abs=0.1)
    assert found["first_peak_ms"][1] == pytest.approx(0.0, abs=0.06)
    assert found["late_peak_ms"][1] > 12.0
    assert found["late_peak_ms"][0] == pytest.approx(10 * math.log(2), abs=0.1)
    assert found["decay_ms"][0] == pytest.approx(10.0, rel=0.02)
    table = sensor.by_force(found)
    assert list(table["strokes"]) == [2, 1]
    assert table["clipped"][1] == 1
    assert sensor.crosstalk_db(made, made.scaled(-20.0))[:2] == pytest.approx([-20.0] * 2, abs=0.1)


def test_too_little_is_refused() -> None:
    """Short or broken audio tells nothing, and the error says what is needed."""
    with pytest.raises(sensor.SensorError, match=r"at least 0.5 s"):
        sensor.noise(np.zeros(100), RATE_HZ)
    with pytest.raises(sensor.SensorError, match=r"at least 0.5 s"):
        sensor.noise(np.full(RATE_HZ, np.nan), RATE_HZ)
