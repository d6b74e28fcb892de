"""The reference detector: its grid against a detector that goes sample by sample."""

import math

import numpy as np
import pytest

from analysis.detector import DetectorError, Envelopes, envelopes, replay
from analysis.sweep import sweep
from rig.record.specimen import Settings

RATE_HZ = 20_000.0


def drawn(rng: np.random.Generator, count: int, length: int = 2400) -> Envelopes:
    """Strokes with a first peak, a late peak, ringing and noise."""
    t = np.arange(length)[None, :] / RATE_HZ * 1e3 - 5.0
    size = rng.uniform(0.01, 1.0, (count, 1))
    late = rng.uniform(0.0, 1.2, (count, 1))
    after = rng.uniform(6.0, 20.0, (count, 1))
    wave = np.where(t > 0, np.exp(-np.abs(t) / 12.0) * np.sin(np.maximum(t, 0) * 2.1), 0.0)
    wave = wave + late * np.exp(-(((t - after) / 1.2) ** 2))
    level = np.abs(size * wave) + np.abs(rng.normal(0, 1e-3, (count, length)))
    return Envelopes(
        level=level.astype(np.float32), rate_hz=RATE_HZ, onset=100, force_n=np.round(size[:, 0], 1)
    )


def by_hand(level: np.ndarray, settings: Settings) -> tuple[int, float, int]:
    """Go through one stroke sample by sample: trigger, level, second trigger."""
    gain = 10 ** ((settings.gain_db or 0.0) / 20)
    threshold = settings.threshold_percent / 100
    window = max(1, round(settings.peak_window_ms * RATE_HZ / 1e3))
    dead = round(settings.dead_time_ms * RATE_HZ / 1e3)
    release = settings.release_ms * RATE_HZ / 1e3
    trigger, peak, until = -1, 0.0, 0
    for n, raw in enumerate(level):
        x = min(1.0, float(raw) * gain)
        if trigger < 0:
            if x > threshold:
                trigger, until = n, max(n + window, n + dead)
                peak = x
        elif n < trigger + window:
            peak = max(peak, x)
        elif n >= until and x > max(threshold, peak * math.exp(-(n - until) / release)):
            return trigger, peak, n
    return trigger, peak, -1


def test_replay_is_the_detector_sample_by_sample() -> None:
    """Trigger, level and second trigger are those of a loop over samples, for drawn settings."""
    rng = np.random.default_rng(41)
    strokes = drawn(rng, 12)
    for _ in range(10):
        settings = Settings(
            gain_db=rng.uniform(-6, 12),
            threshold_percent=rng.uniform(0.5, 10),
            peak_window_ms=rng.uniform(0.5, 5),
            dead_time_ms=rng.uniform(0, 25),
            release_ms=rng.uniform(1, 30),
        )
        found = replay(strokes, settings)
        for k, row in enumerate(strokes.level):
            trigger, peak, second = by_hand(row, settings)
            assert found.trigger[k] == trigger
            assert found.second[k] == second
            if trigger >= 0:
                assert found.level[k] == pytest.approx(peak, rel=1e-5)


def test_sweep_is_the_replay_of_each_combination() -> None:
    """Lost, latency, spread and doubles of a grid are those of single replays."""
    rng = np.random.default_rng(42)
    strokes = drawn(rng, 60)
    axes = {
        "threshold_percent": [1.0, 6.0],
        "peak_window_ms": [0.7, 2.0, 3.1],
        "dead_time_ms": [0.0, 6.0, 11.0, 18.0],
        "release_ms": [2.0, 9.0, 25.0],
    }
    found = sweep(strokes, gain_db=3.0, **axes)
    for i, threshold in enumerate(axes["threshold_percent"]):
        for j, window in enumerate(axes["peak_window_ms"]):
            for k, dead in enumerate(axes["dead_time_ms"]):
                for m, release in enumerate(axes["release_ms"]):
                    single = replay(
                        strokes,
                        Settings(
                            gain_db=3.0,
                            threshold_percent=threshold,
                            peak_window_ms=window,
                            dead_time_ms=dead,
                            release_ms=release,
                        ),
                    )
                    heard = ~single.lost
                    assert found.lost_share[i] == pytest.approx(single.lost.mean())
                    share = single.doubled[heard].mean()
                    # a level that equals the falling one to rounding may fall either way
                    assert found.doubled_share[i, j, k, m] == pytest.approx(share, abs=0.02)
                    mean = (single.trigger[heard] - 100).mean() / 20 + round(window * 20) / 20
                    assert found.latency_ms[i, j] == pytest.approx(mean)
    assert np.isfinite(found.spread_db).all()


def test_a_great_grid_is_swept_whole() -> None:
    """Some thousands of settings over hundreds of strokes give a share for each."""
    rng = np.random.default_rng(43)
    found = sweep(
        drawn(rng, 200, 1200),
        threshold_percent=np.linspace(1, 8, 3),
        peak_window_ms=np.linspace(1, 4, 10),
        dead_time_ms=np.linspace(0, 30, 40),
        release_ms=np.linspace(1, 30, 5),
    )
    assert found.doubled_share.shape == (3, 10, 40, 5)
    assert found.doubled_share[..., -1, :].max() < found.doubled_share[..., 0, :].max()


def test_envelopes_keep_peaks_and_end_at_the_next_stroke() -> None:
    """Block maxima lose no peak, the onset stays where it was, and the next stroke is cut off."""
    audio = np.zeros((2, 9600), dtype=np.float32)
    audio[:, 960] = -0.5
    audio[:, 5760] = 0.8
    found = envelopes(audio, 96_000, before_s=0.010, force_n=[1.0, 1.0], own_s=[math.inf, 0.040])
    assert found.level[:, found.onset] == pytest.approx([0.5, 0.5])
    assert found.level.max(axis=1) == pytest.approx([0.8, 0.5])
    assert found.onset / found.rate_hz == pytest.approx(0.010, abs=1e-4)


def test_senseless_input_is_refused() -> None:
    """NaN, no strokes, unknown settings: errors name what is missing."""
    with pytest.raises(DetectorError, match="at least one stroke"):
        envelopes(np.zeros((0, 10)), 96_000, before_s=0.0, force_n=[])
    with pytest.raises(DetectorError, match="all finite: False"):
        envelopes([[math.nan] * 10], 96_000, before_s=0.0, force_n=[1.0])
    strokes = drawn(np.random.default_rng(44), 3)
    with pytest.raises(DetectorError, match=r"dead_time_ms = None, release_ms = None"):
        replay(strokes, Settings(threshold_percent=1.0, peak_window_ms=2.0))
    with pytest.raises(DetectorError, match="axis is empty"):
        sweep(strokes, threshold_percent=[], peak_window_ms=1, dead_time_ms=1, release_ms=1)
