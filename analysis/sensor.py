"""The sensor itself, from any run's audio about its strokes: noise, levels, peaks and decay."""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from analysis.detector import Envelopes
from analysis.mains import MainsLine, mains_lines
from rig.record.bench_fault import BenchError
from rig.record.full_scale import CLIP_LEVEL

Array = NDArray[np.float64]

NOISE_BLOCK_S = 0.010


class SensorError(BenchError):
    """Audio that tells nothing about the sensor."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Noise:
    """The sensor while nothing is struck.

    Attributes
    ----------
    rms
        Of full scale.
    percentiles
        Percentile of the magnitude -> dBFS.
    mains
        Mains lines found: frequency (Hz) -> the line.
    mains_hz
        50, 60, or 0 where no line stands out.
    block_maxima
        Highest magnitudes of blocks of ``NOISE_BLOCK_S``.
    """

    rms: float
    percentiles: dict[float, float]
    mains: dict[float, MainsLine]
    mains_hz: float
    block_maxima: Array

    def level_for(self, false_per_h: float) -> float:
        """Level that the noise passes in so many blocks an hour, of full scale.

        Extreme values of blocks follow Gumbel's law where the noise is normal; fitted by maximum
        likelihood and carried on beyond what was heard. Its tail is heavier than that of normal
        noise with hum, so the true rate is lower.
        """
        chance = min(0.5, false_per_h * NOISE_BLOCK_S / 3600.0)
        return float(stats.gumbel_r.isf(chance, *self._law))

    def rate_per_h(self, level: float) -> float:
        """Blocks an hour in which the noise passes a level; the inverse of :meth:`level_for`."""
        return float(stats.gumbel_r.sf(level, *self._law)) * 3600.0 / NOISE_BLOCK_S

    @functools.cached_property
    def _law(self) -> tuple[float, float]:
        location, scale = stats.gumbel_r.fit(self.block_maxima)
        return float(location), float(scale)


def _db(level: float) -> float:
    return 20.0 * math.log10(level) if level > 0.0 else -math.inf


def noise(samples: ArrayLike, sample_rate_hz: float, pieces: Sequence[int] = ()) -> Noise:
    """Measure the sensor's noise.

    Parameters
    ----------
    samples
        Shape (samples,): at least 0.5 s in which nothing was struck.
    sample_rate_hz
        Of the samples.
    pieces
        Numbers of samples of the silences that were joined; empty: it is one.

    Raises
    ------
    SensorError
        Too little, or samples that are not finite.
    """
    x = np.asarray(samples, dtype=float).ravel()
    least = round(0.5 * sample_rate_hz)
    if x.size < least or not np.isfinite(x).all():
        raise SensorError(
            f"noise of the sensor: {x.size / sample_rate_hz:.2f} s of silence found; at least "
            "0.5 s of finite samples is needed. Record an idle stage"
        )
    x = x - x.mean()
    magnitude = np.abs(x)
    block = max(1, round(NOISE_BLOCK_S * sample_rate_hz))
    maxima = magnitude[: magnitude.size // block * block].reshape(-1, block).max(axis=1)
    lines, mains_hz = mains_lines(x, sample_rate_hz, pieces=pieces)
    return Noise(
        rms=float(np.sqrt(np.mean(x**2))),
        percentiles={p: _db(float(np.percentile(magnitude, p))) for p in (50.0, 95.0, 99.0, 99.9)},
        mains={line.frequency_hz: line for line in lines},
        mains_hz=mains_hz,
        block_maxima=maxima,
    )


def decay(level: ArrayLike, rate_hz: float) -> tuple[float, float]:
    """Decay of one sound: (T60 in s by backward integration, amplitude time constant in ms).

    Schroeder's backward integral of the squared signal, a straight line through -5 to -25 dB
    (ISO 3382, from memory); the power of the last tenth is taken off as noise (Chu 1978, from
    memory). The time constant is that in which an amplitude falls to 1/e, T60 / ln(1000). NaN
    where the last tenth does not lie 35 dB below the peak: noise, or a sound cut off, rules it.
    """
    power = np.asarray(level, dtype=float).ravel() ** 2
    if power.size < 20 or not power.max() > 0.0:
        return math.nan, math.nan
    floor = float(power[-(power.size // 10) :].mean())
    if floor > power.max() * 10.0**-3.5:
        return math.nan, math.nan
    energy = np.cumsum((power - floor)[::-1])[::-1]
    decibels = 10.0 * np.log10(np.maximum(energy / energy[0], 1e-30))
    first, last = int((decibels < -5.0).argmax()), int((decibels < -25.0).argmax())
    if last - first < 3:
        return math.nan, math.nan
    fit = stats.linregress(np.arange(first, last) / rate_hz, decibels[first:last])
    t60_s = -60.0 / float(fit.slope)
    return t60_s, 1e3 * t60_s / math.log(1000.0)


def strokes(
    windows: Envelopes, *, rearm_share: float = 0.5, first_within_ms: float = 3.0
) -> pd.DataFrame:
    """Describe each stroke.

    Parameters
    ----------
    windows
        Strokes, at the recorded level.
    rearm_share
        Share of the first peak above which a later peak could trigger again.
    first_within_ms
        The first peak is the highest level within this time of the onset.

    Returns
    -------
    pandas.DataFrame
        One row a stroke: force_n, peak_dbfs, head_room_db, clipped, first_peak_ms, highest_peak_ms
        (both from the onset), late_peak_ms (last time above the share; NaN: none), t60_s,
        decay_ms.
    """
    level, onset = windows.level[:, windows.onset :], windows.onset
    if level.shape[1] < windows.samples_of(first_within_ms) + 2:
        raise SensorError(
            f"strokes of the sensor: {windows.level.shape[1] - onset} samples after the onset; "
            f"more than {first_within_ms} ms are needed"
        )
    to_ms = 1e3 / windows.rate_hz
    first_n = max(1, windows.samples_of(first_within_ms))
    first = level[:, :first_n].max(axis=1)
    late = level[:, first_n:] > rearm_share * first[:, None]
    last = level.shape[1] - 1 - late[:, ::-1].argmax(axis=1)
    peak = level.max(axis=1)
    decays = [
        decay(row[int(row.argmax()) :][row[int(row.argmax()) :] > 0.0], windows.rate_hz)
        for row in level
    ]
    decibels = 20.0 * np.log10(np.maximum(peak, 1e-12))
    return pd.DataFrame(
        {
            "force_n": windows.force_n,
            "peak_dbfs": decibels,
            "head_room_db": -decibels,
            "clipped": peak >= CLIP_LEVEL,
            "first_peak_ms": level[:, :first_n].argmax(axis=1) * to_ms,
            "highest_peak_ms": level.argmax(axis=1) * to_ms,
            "late_peak_ms": np.where(late.any(axis=1), last * to_ms, math.nan),
            "t60_s": [d[0] for d in decays],
            "decay_ms": [d[1] for d in decays],
        }
    )


def by_force(table: pd.DataFrame) -> pd.DataFrame:
    """Level, spread and head room of each force, from :func:`strokes`; one row a force."""
    grouped = table.groupby("force_n", dropna=False)
    return pd.DataFrame(
        {
            "strokes": grouped.size(),
            "level_dbfs": grouped["peak_dbfs"].mean(),
            "spread_db": grouped["peak_dbfs"].std(),
            "least_head_room_db": grouped["head_room_db"].min(),
            "clipped": grouped["clipped"].sum(),
        }
    ).reset_index()


def crosstalk_db(struck: Envelopes, other: Envelopes) -> Array:
    """Peak of another zone's sensor against that of the struck one, per stroke, in dB."""
    if len(struck) != len(other):
        raise SensorError(
            f"crosstalk: {len(struck)} strokes on one sensor, {len(other)} on the other; "
            "the same are needed"
        )
    ratio = other.level.max(axis=1) / np.maximum(struck.level.max(axis=1), 1e-12)
    return np.asarray(20.0 * np.log10(np.maximum(ratio, 1e-12)), dtype=float)
