"""Levels of channels, against signals of known level."""

import math

import numpy as np
import pytest
import soundfile
import typer

from rig.capture.level import LevelMeter
from rig.cli import level as level_command
from rig.record.bench_fault import BenchError

RATE_HZ = 48_000


def metered(samples, pieces=7):
    """Levels of one channel, fed unevenly."""
    meter = LevelMeter(RATE_HZ, 1)
    for piece in np.array_split(np.asarray(samples, dtype=np.float32)[:, None], pieces):
        meter.take(piece)
    return meter.levels()[0]


def test_a_full_scale_sine_reads_zero():
    """0 dBFS is the RMS of a full-scale sine (AES17, from memory); a square reads +3.01 dB."""
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    sine = np.sin(2 * np.pi * 1000 * time_s)
    assert metered(sine).noise_dbfs == pytest.approx(0.0, abs=0.01)
    assert metered(np.sign(sine + 1e-9)).noise_dbfs == pytest.approx(3.01, abs=0.02)


def test_noise_is_read_between_taps_and_the_hardest_tap_told():
    """Noise of -58 dBFS with taps up to -3 dBFS: 3 dB of head room, and an offset does no harm."""
    rng = np.random.default_rng(1)
    noise_rms = 10 ** (-58 / 20) / math.sqrt(2)
    samples = 0.05 + rng.normal(0, noise_rms, 5 * RATE_HZ)
    for second in range(5):
        at = second * RATE_HZ + 1000
        samples[at : at + 4000] += np.exp(-np.arange(4000) / 800) * (0.2 + 0.1144 * second)
    found = metered(samples)
    assert found.noise_dbfs == pytest.approx(-58, abs=0.7)
    assert found.peak_dbfs == pytest.approx(20 * math.log10(0.7076), abs=0.1)
    assert found.sentence().startswith("noise −58 dBFS; hardest tap −3 dBFS; head room 3 dB")


def test_clipping_silence_and_nothing_are_told():
    """A clipped channel, a dead one and one without samples are never called good."""
    clipped = metered(np.clip(2 * np.sin(np.arange(RATE_HZ) / 10), -1, 1))
    assert clipped.clipped > 1000
    assert "CLIPPED" in clipped.sentence()
    assert "digital silence" in metered(np.zeros(RATE_HZ)).sentence()
    nothing = LevelMeter(RATE_HZ, 1).levels()[0]
    assert math.isnan(nothing.noise_dbfs)
    assert "nothing" in nothing.sentence()
    assert metered(np.full(RATE_HZ, np.nan)).clipped == RATE_HZ


def test_the_command_meters_a_recording(tmp_path, capsys):
    """A recorded file is metered without hardware; one that is no recording is refused."""
    path = tmp_path / "taps.wav"
    time_s = np.arange(RATE_HZ) / RATE_HZ
    soundfile.write(path, np.stack([0.5 * np.sin(2000 * time_s), 0 * time_s], axis=1), RATE_HZ)
    with pytest.raises(typer.Exit) as exit_info:
        level_command.level(file=path)
    out = capsys.readouterr().out
    assert "channel 1: noise −6 dBFS; hardest tap −6 dBFS" in out
    assert "channel 2: digital silence" in out
    assert exit_info.value.exit_code == 4
    path.write_text("no recording")
    with pytest.raises(BenchError, match="can't be read as a recording"):
        level_command.level(file=path)


def test_the_command_meters_a_simulated_bench(capsys):
    """The simulated bench has inputs that can be metered."""
    level_command.level(bench="simulated", seconds=1.0, file=None)
    assert "(sensor): noise −" in capsys.readouterr().out
