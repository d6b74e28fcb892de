"""Levels of mains lines in made hum whose amplitude is known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal, stats

from analysis.mains import mains_lines
from analysis.noise import noise_floor


def hum(
    seconds: list[float], rate_hz: float, own_hz: float, *, noise: float, seed: int = 1
) -> tuple[np.ndarray, tuple[int, ...]]:
    """Pieces of 3 in 1,000 at the mains and a third of it at the third line, each from its own phase."""
    rng = np.random.default_rng(seed)
    pieces = []
    for piece_s in seconds:
        t = np.arange(round(piece_s * rate_hz)) / rate_hz + rng.uniform(0, 100)
        turn = 2 * np.pi * own_hz * t
        pieces.append(3e-3 * np.cos(turn) + 1e-3 * np.cos(3 * turn) + rng.normal(0, noise, t.size))
    return np.concatenate(pieces), tuple(map(len, pieces))


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 96_000])
@pytest.mark.parametrize("own_hz", [49.75, 50.13, 60.2])
@pytest.mark.parametrize("seconds", [[0.21, 0.34, 0.27], [0.5], [3.3]])
def test_a_line_has_its_level_wherever_it_lies(
    seconds: list[float], own_hz: float, rate_hz: float
) -> None:
    """To 0.2 dB: between the bins of a spectrum, and over joints at which the phase jumps."""
    x, pieces = hum(seconds, rate_hz, own_hz, noise=2e-4)
    lines, mains_hz = mains_lines(x, rate_hz, pieces=pieces)
    assert mains_hz == round(own_hz, -1)
    levels = {line.frequency_hz: line for line in lines}
    for number, amplitude in ((1, 3e-3), (3, 1e-3)):
        line = levels[number * mains_hz]
        assert line.level_dbfs == pytest.approx(20 * math.log10(amplitude), abs=0.2)
        assert line.low_dbfs < line.level_dbfs < line.high_dbfs


def test_a_long_steady_hum_is_that_of_a_periodogram() -> None:
    """10 s at a bin's middle: scipy's flat-top periodogram, made for amplitudes, says the same."""
    rate_hz = 4_000
    x, _ = hum([10.0], rate_hz, 50.0, noise=3e-4)
    at_hz, power = signal.periodogram(x, rate_hz, window="flattop", scaling="spectrum")
    lines, _ = mains_lines(x, rate_hz)
    for line in lines:
        near = np.abs(at_hz - line.frequency_hz) < 1
        assert line.level_dbfs == pytest.approx(10 * math.log10(2 * power[near].max()), abs=0.1)
    assert [line.frequency_hz for line in lines] == [50.0, 150.0]


def test_noise_and_nothing_have_no_lines() -> None:
    """Nor has digital silence, nor a tone beside the mains."""
    rng = np.random.default_rng(2)
    for sound in (rng.normal(0, 1e-3, 16_000), np.zeros(16_000), np.zeros(0), np.ones(100)):
        assert mains_lines(sound, 8_000.0) == ([], 0.0)
    tone = np.sin(2 * np.pi * 77.0 * np.arange(16_000) / 8_000) + rng.normal(0, 1e-3, 16_000)
    assert mains_lines(tone, 8_000.0)[0] == []


@pytest.mark.parametrize("own_hz", [50.0, 50.1, 59.95])
def test_what_both_mains_share_tells_nothing_by_itself(own_hz: float) -> None:
    """300 Hz is the sixth line of one and the fifth of the other; beside a line of one it is its."""
    mains_hz = round(own_hz, -1)
    t = np.arange(16_000) / 8_000
    shared = np.sin(2 * np.pi * 300.0 * own_hz / mains_hz * t)
    x = 1e-2 * shared + np.random.default_rng(3).normal(0, 1e-4, t.size)
    assert mains_lines(x, 8_000.0) == ([], 0.0)
    lines, found_hz = mains_lines(x + 3e-3 * np.sin(2 * np.pi * own_hz * t), 8_000.0)
    assert found_hz == mains_hz
    assert [line.frequency_hz for line in lines] == [mains_hz, 300.0]
    assert lines[1].level_dbfs == pytest.approx(-40.0, abs=0.2)


@pytest.mark.parametrize("confidence", [0.5, 0.99, 0.999_999])
def test_bounds_are_of_the_confidence_asked_for(confidence: float) -> None:
    """Of a strong line, noise beside: its amplitude's own error is normal, sqrt(2 / n) of the noise.

    In dB: 8.686 times that over the amplitude (Cramer and Rao's bound of a sine's amplitude, as in
    Kay, Estimation Theory, 1993, example 3.14, from memory).
    """
    x, _ = hum([0.5], 8_000, 50.0, noise=3e-4)
    line = noise_floor(x, 8_000.0, confidence=confidence).details["mains_lines"][0]
    # two samples each are averaged
    u_db = 8.686 * np.sqrt(2 / 2_000) * 3e-4 / np.sqrt(2) / 3e-3
    half_db = stats.norm.ppf(0.5 + confidence / 2) * u_db
    assert line["high_dbfs"] - line["low_dbfs"] == pytest.approx(2 * half_db, rel=0.1)


def test_a_faint_line_has_bounds_at_any_confidence() -> None:
    """Where noise alone might do as much, the lower one is far below all that could be heard."""
    t = np.arange(4_800) / 48_000
    for seed in range(40):
        noise = np.random.default_rng(seed).normal(0, 1e-3, t.size)
        x = noise + 1.3e-4 * np.sin(2 * np.pi * 50.0 * t)
        for line in mains_lines(x, 48_000, confidence=0.999_999)[0]:
            assert -400.0 < line.low_dbfs < line.level_dbfs < line.high_dbfs < -60.0


def test_the_noise_floor_tells_its_lines() -> None:
    """Two lines of hum, each with its level, and a word in the note; of noise alone neither."""
    x, _ = hum([2.0], 8_000, 50.1, noise=3e-4)
    found = noise_floor(x, 8_000.0)
    levels = {one["frequency_hz"]: one["level_dbfs"] for one in found.details["mains_lines"]}
    assert levels == {
        50.0: pytest.approx(20 * math.log10(3e-3), abs=0.2),
        150.0: pytest.approx(-60.0, abs=0.2),
    }
    assert "Mains hum stands out at 2 lines" in found.note
    bare = noise_floor(np.random.default_rng(4).normal(0, 3e-4, 16_000), 8_000.0)
    assert bare.details["mains_lines"] == []
    assert "Mains" not in bare.note
