"""The reference detector over a whole grid of settings.

Nothing is replayed sample by sample: the running maximum gives trigger and level, and "some later
sample passes the falling level" becomes one comparison with a maximum taken from the end of each
stroke.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.detector import DetectorError, Envelopes, pooled_spread_db

Array = NDArray[np.float64]


@dataclasses.dataclass(frozen=True, kw_only=True)
class Sweep:
    """What a grid of settings makes of the strokes.

    Attributes
    ----------
    threshold_percent, peak_window_ms, dead_time_ms, release_ms
        The axes.
    lost_share
        Shape (thresholds,), as a fraction.
    latency_ms
        Onset to the end of the peak window, mean; shape (thresholds, windows).
    spread_db
        Standard deviation of the level over strokes of one force, pooled; same shape. NaN where no
        force was struck twice.
    doubled_share
        Shape (thresholds, windows, dead times, releases), of the strokes that trigger.
    """

    threshold_percent: Array
    peak_window_ms: Array
    dead_time_ms: Array
    release_ms: Array
    lost_share: Array
    latency_ms: Array
    spread_db: Array
    doubled_share: Array


def sweep(
    strokes: Envelopes,
    *,
    threshold_percent: ArrayLike,
    peak_window_ms: ArrayLike,
    dead_time_ms: ArrayLike,
    release_ms: ArrayLike,
    gain_db: float = 0.0,
) -> Sweep:
    """Replay every combination of settings over all strokes at once; each axis at least one value.

    A second trigger at or after sample d needs ``level(t) > peak exp(-(t - d) / release)`` for some
    t >= d: with logarithms, that the greatest ``ln level(t) + t / release`` from d on passes
    ``ln peak + d / release``, for samples above the threshold.
    """
    axes = [
        np.atleast_1d(np.asarray(axis, dtype=float))
        for axis in (threshold_percent, peak_window_ms, dead_time_ms, release_ms)
    ]
    thresholds, windows, deads, releases = axes
    if any(axis.size == 0 or not (axis >= 0.0).all() for axis in axes):
        raise DetectorError("reference detector: an axis is empty or below 0; give values above it")
    level = strokes.scaled(gain_db).level
    count, length = level.shape
    rows = np.arange(count)
    place = np.arange(length, dtype=np.float32)
    running = np.maximum.accumulate(level, axis=1)
    logs = np.log(np.maximum(level, np.float32(1e-12)))
    window_n = np.maximum(1, np.rint(windows * strokes.rate_hz / 1e3).astype(int))
    dead_n = np.rint(deads * strokes.rate_hz / 1e3).astype(int)
    release_n = np.maximum(1e-3, releases * strokes.rate_hz / 1e3)
    shape = (thresholds.size, windows.size)
    lost = np.zeros(thresholds.size)
    latency, spread = np.full(shape, math.nan), np.full(shape, math.nan)
    doubled = np.full((*shape, deads.size, releases.size), math.nan)
    for i, threshold in enumerate(thresholds / 100.0):
        heard = running[:, -1] > threshold
        lost[i] = 1.0 - heard.mean()
        if not heard.any():
            continue
        trigger = (running > threshold).argmax(axis=1)[heard]
        who = rows[heard]
        ends = trigger[:, None] + window_n
        peaks = running[who[:, None], np.minimum(ends - 1, length - 1)]
        latency[i] = (ends - strokes.onset).mean(axis=0) * 1e3 / strokes.rate_hz
        for j in range(windows.size):
            spread[i, j] = pooled_spread_db(peaks[:, j], strokes.force_n[heard])
        loud = np.where(level[heard] > threshold, logs[heard], np.float32(-np.inf))
        log_peaks = np.log(peaks)
        for m, release in enumerate(release_n):
            climb = loud + place / np.float32(release)
            climb = np.maximum.accumulate(climb[:, ::-1], axis=1)[:, ::-1]
            for j in range(windows.size):
                until = np.maximum(ends[:, j, None], trigger[:, None] + dead_n)
                inside = until < length
                passed = climb[np.arange(who.size)[:, None], np.minimum(until, length - 1)]
                again = inside & (passed > log_peaks[:, j, None] + until / release)
                doubled[i, j, :, m] = again.mean(axis=0)
    return Sweep(
        threshold_percent=thresholds,
        peak_window_ms=windows,
        dead_time_ms=deads,
        release_ms=releases,
        lost_share=lost,
        latency_ms=latency,
        spread_db=spread,
        doubled_share=doubled,
    )
