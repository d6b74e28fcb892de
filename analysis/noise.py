"""Noise of the sensor's channel while nothing is struck."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis import interval
from analysis.interval import Interval
from analysis.mains import mains_lines
from analysis.measure import Measure
from analysis.selection import measured

Array = NDArray[np.float64]

_BLOCK_S = 0.05
_HARMONICS = 20


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
        lines, _ = mains_lines(given, sample_rate_hz, harmonics=_HARMONICS, confidence=confidence)
        details = {
            "percentiles_dbfs": {
                str(p): float(v) for p, v in zip(parts, np.percentile(levels, parts), strict=True)
            },
            "largest_sample_dbfs": float(_db(float(np.abs(given - given.mean()).max()) ** 2)),
            "mains_lines": [dataclasses.asdict(line) for line in lines],
        }
        note = "Median over blocks of 50 ms; the count is of blocks."
        if lines:
            note += f" Mains hum stands out at {len(lines)} lines: look at screen and ground."
    return measured(
        "noise_floor", "dbfs", found, confidence=confidence, count=levels.size, stage=stage,
        note=note, details=details,
    )  # fmt: skip
