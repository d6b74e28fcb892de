"""What a sweep over settings costs: against replaying each setting, never the clock on the wall."""

from __future__ import annotations

import time

import numpy as np
import pytest

from analysis.detector import Envelopes, replay
from analysis.sweep import sweep
from rig.record.specimen import Settings


def strokes(count: int) -> Envelopes:
    """Strokes of a quarter of a second."""
    rng = np.random.default_rng(5)
    t = np.arange(-100, 5000)[None, :] / 20.0
    size = rng.uniform(0.02, 0.9, (count, 1))
    wave = np.where(t > 0, np.exp(-np.abs(t) / 15.0) * np.sin(np.maximum(t, 0.0) * 1.5), 0.0)
    level = np.abs(size * wave) + np.abs(rng.normal(0, 4e-4, (count, t.shape[1])))
    return Envelopes(
        level=level.astype(np.float32), rate_hz=20_000.0, onset=100, force_n=size[:, 0].round(1)
    )


def costs(count: int, sizes: tuple[int, int, int, int]) -> tuple[float, float]:
    """(Processor time of one replay, of a sweep over a grid of these sizes), in seconds."""
    made = strokes(count)
    settings = Settings(
        threshold_percent=1.0, peak_window_ms=2.0, dead_time_ms=10.0, release_ms=20.0
    )
    began = time.process_time()
    for _ in range(3):
        replay(made, settings)
    single = (time.process_time() - began) / 3.0
    began = time.process_time()
    found = sweep(
        made,
        threshold_percent=np.linspace(0.5, 3.0, sizes[0]),
        peak_window_ms=np.linspace(0.5, 5.0, sizes[1]),
        dead_time_ms=np.linspace(0.0, 30.0, sizes[2]),
        release_ms=np.geomspace(2.0, 60.0, sizes[3]),
    )
    took = time.process_time() - began
    assert found.doubled_share.shape == sizes
    assert np.isfinite(found.doubled_share).all()
    return single, took


def test_a_sweep_costs_a_fraction_of_its_replays() -> None:
    """Five thousand settings over 200 strokes cost less than 60 replays of one setting."""
    single, took = costs(200, (2, 10, 50, 5))
    assert took < 60.0 * single


@pytest.mark.long
def test_a_hundred_thousand_settings_over_a_thousand_strokes() -> None:
    """10^5 settings over 1,000 strokes cost less than 60 replays of one: some seconds."""
    single, took = costs(1000, (5, 20, 50, 20))
    print(f"\none replay {1e3 * single:.0f} ms; the sweep {took:.1f} s")
    assert took < 60.0 * single
