"""Noise of the sensor's channel while nothing is struck."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import signal

from analysis import interval
from analysis.interval import Interval
from analysis.measure import Measure
from analysis.selection import measured

Array = NDArray[np.float64]

_BLOCK_S = 0.05
_MAINS_HZ = (50.0, 60.0)
_HARMONICS = 20
_STANDS_OUT_DB = 10.0


def _db(power: ArrayLike) -> Array:
    """Return 10 lg of a power; -inf is kept from arising by the least 32-bit float."""
    return np.asarray(10 * np.log10(np.maximum(power, 1e-38)))


def block_levels_dbfs(samples: Array, sample_rate_hz: float) -> Array:
    """Return the level of each block of 50 ms, in dBFS.

    0 dBFS is the rms of a full-scale sine (AES17, from memory): full scale is 1. A steady offset
    is no noise; the mean is taken off first.
    """
    size = max(round(_BLOCK_S * sample_rate_hz), 1)
    blocks = samples[: samples.size // size * size].reshape(-1, size)
    if blocks.size == 0:
        return np.empty(0)
    return _db(2 * np.mean((blocks - samples.mean()) ** 2, axis=1))


def mains_lines(samples: Array, sample_rate_hz: float) -> list[dict[str, float]]:
    """Return the lines at multiples of 50 or 60 Hz that stand out of their surroundings.

    A line stands out when the spectrum (Hann windows of 1 s, averaged) within 2 Hz of it is 10 dB
    above the median of the 20 Hz around. The mains frequency with the more lines is taken.

    Returns
    -------
    list of dict
        ``frequency_hz``, ``level_dbfs``, ``above_db``. Empty below 2 s of samples.
    """
    size = round(sample_rate_hz)
    if samples.size < 2 * size:
        return []
    at, power = signal.welch(samples, sample_rate_hz, "hann", size, scaling="spectrum")
    found: dict[float, list[dict[str, float]]] = {}
    for mains in _MAINS_HZ:
        found[mains] = []
        for line in mains * np.arange(1, _HARMONICS + 1):
            near, around = np.abs(at - line) <= 2, np.abs(at - line) <= 10
            if line + 10 > sample_rate_hz / 2:
                break
            peak = float(power[near].max())
            above = float(_db(peak) - _db(np.median(power[around & ~near])))
            if above >= _STANDS_OUT_DB:
                found[mains].append(
                    {
                        "frequency_hz": float(line),
                        "level_dbfs": float(_db(2 * peak)),
                        "above_db": above,
                    }
                )
    return max(found.values(), key=len)


def noise_floor(
    samples: ArrayLike, sample_rate_hz: float, *, confidence: float = 0.95, stage: str = ""
) -> Measure:
    """Return the noise floor: median level of blocks of 50 ms, in dBFS.

    Parameters
    ----------
    samples
        One channel while nothing was struck, full scale 1, shape (frames,). Samples that are not
        finite, and empty input, give NaN.
    sample_rate_hz
        Rate of the samples.
    confidence, stage
        Of the interval; what the measure is labelled with.

    Returns
    -------
    Measure
        Interval by order statistics over the blocks: it tells how steady the noise is, not how
        true the interface's scale is. ``details``: percentiles of the block levels, largest
        sample, mains lines.
    """
    given = np.asarray(samples, dtype=np.float64).ravel()
    usable = bool(given.size) and bool(np.isfinite(given).all())
    levels = block_levels_dbfs(given, sample_rate_hz) if usable else np.empty(0)
    details: dict[str, Any] = {}
    found = Interval(math.nan, math.nan, math.nan, "order statistics, interpolated")
    note = "No idle stretch to measure it on."
    if levels.size:
        found = interval.quantile(levels, 0.5, confidence)
        parts = (5, 25, 50, 75, 95, 99)
        lines = mains_lines(given, sample_rate_hz)
        details = {
            "percentiles_dbfs": {
                str(p): float(v) for p, v in zip(parts, np.percentile(levels, parts), strict=True)
            },
            "largest_sample_dbfs": float(_db(float(np.abs(given - given.mean()).max()) ** 2)),
            "mains_lines": lines,
        }
        note = "Median over blocks of 50 ms; the count is of blocks."
        if lines:
            note += f" Mains hum stands out at {len(lines)} lines: look at screen and ground."
    return measured(
        "noise_floor", "dbfs", found, confidence=confidence, count=levels.size, stage=stage,
        note=note, details=details,
    )  # fmt: skip
