"""A reference detector, replayed over recorded strokes for any settings.

It triggers on the first sample above the threshold, keeps the highest level of its peak window,
is blind until the dead time (counted from the trigger) is over, and then re-arms at a level that
falls from that peak to 1/e in each release time.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rig.record.bench_fault import BenchError
from rig.record.specimen import Settings

Array = NDArray[np.float64]
Samples = NDArray[np.float32]
Ints = NDArray[np.int64]

ENVELOPE_RATE_HZ = 20_000.0


class DetectorError(BenchError):
    """Strokes or settings that the reference detector cannot work with."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Envelopes:
    """Rectified strokes, block maxima, one row a stroke.

    Attributes
    ----------
    level
        Shape (strokes, samples), of full scale; 0 from the next stroke on.
    rate_hz
        Of the envelope.
    onset
        Sample of the onset, the same in each row.
    force_n
        What each was struck with; strokes of one force are meant to be alike. NaN: not known.
    """

    level: Samples
    rate_hz: float
    onset: int
    force_n: Array

    def __len__(self) -> int:
        return len(self.level)

    def subset(self, keep: NDArray[np.bool_]) -> Envelopes:
        """Return some of the strokes."""
        return dataclasses.replace(self, level=self.level[keep], force_n=self.force_n[keep])

    def scaled(self, gain_db: float) -> Envelopes:
        """Return the strokes behind an input gain, clipped at full scale."""
        gain = np.float32(10.0 ** (gain_db / 20.0))
        return dataclasses.replace(self, level=np.minimum(self.level * gain, np.float32(1.0)))

    def samples_of(self, duration_ms: float) -> int:
        """Whole samples of a duration."""
        return max(0, round(duration_ms * self.rate_hz / 1000.0))


def envelopes(
    windows: ArrayLike,
    sample_rate_hz: float,
    *,
    before_s: float,
    force_n: ArrayLike,
    own_s: ArrayLike | None = None,
) -> Envelopes:
    """Rectify strokes' waveforms and reduce them to block maxima at about 20 kHz.

    Parameters
    ----------
    windows
        Shape (strokes, samples): audio about each stroke, of full scale.
    sample_rate_hz, before_s
        Of the audio; time of the onset after the window's first sample.
    force_n
        Shape (strokes,).
    own_s
        From each onset, how long the sound is the stroke's own (until the next one); default: all.

    Raises
    ------
    DetectorError
        No strokes, or samples that are not finite.
    """
    audio = np.asarray(windows, dtype=np.float32)
    if audio.ndim != 2 or audio.size == 0 or not np.isfinite(audio).all():
        raise DetectorError(
            f"reference detector: windows of shape {audio.shape}, all finite: "
            f"{bool(np.isfinite(audio).all())}; at least one stroke with finite samples is needed"
        )
    factor = max(1, round(sample_rate_hz / ENVELOPE_RATE_HZ))
    onset = round(before_s * sample_rate_hz / factor)
    # blocks are laid so that the onset begins one
    skip = max(0, round(before_s * sample_rate_hz) - onset * factor)
    blocks = (audio.shape[1] - skip) // factor
    level = np.abs(audio[:, skip : skip + blocks * factor])
    level = level.reshape(len(audio), blocks, factor).max(axis=2)
    rate_hz = sample_rate_hz / factor
    if own_s is not None:
        end = onset + np.floor(np.asarray(own_s, dtype=float) * rate_hz)
        level[np.arange(blocks)[None, :] >= end[:, None]] = 0.0
    return Envelopes(
        level=level, rate_hz=rate_hz, onset=onset, force_n=np.asarray(force_n, dtype=float)
    )


@dataclasses.dataclass(frozen=True, kw_only=True)
class Replay:
    """What the detector makes of each stroke; one entry a stroke.

    Attributes
    ----------
    trigger, level
        Sample of the trigger (-1: lost), and highest level of the peak window.
    second
        Sample of a second trigger on the same stroke; -1: none.
    second_level, rearm_level
        Level there, and what the detector had fallen to.
    """

    trigger: Ints
    level: Array
    second: Ints
    second_level: Array
    rearm_level: Array

    @property
    def lost(self) -> NDArray[np.bool_]:
        """Strokes that do not trigger."""
        return self.trigger < 0

    @property
    def doubled(self) -> NDArray[np.bool_]:
        """Strokes that trigger again."""
        return self.second >= 0


def known(settings: Settings) -> Settings:
    """Return settings without gaps, or refuse, naming all that are missing or senseless."""
    names = ("threshold_percent", "peak_window_ms", "dead_time_ms", "release_ms")
    bad = [
        f"{name} = {getattr(settings, name)}"
        for name in names
        if getattr(settings, name) is None or not float(getattr(settings, name)) >= 0.0
    ]
    if bad:
        raise DetectorError(
            f"reference detector: settings {', '.join(bad)}; each must be known and not below 0. "
            "Write them into the specimen file under [module.settings]"
        )
    return settings


def replay(strokes: Envelopes, settings: Settings) -> Replay:
    """Replay all strokes, each on its own, with one set of settings."""
    s = known(settings)
    assert s.threshold_percent is not None
    assert s.peak_window_ms is not None
    assert s.dead_time_ms is not None
    assert s.release_ms is not None
    level = strokes.scaled(s.gain_db or 0.0).level
    count, length = level.shape
    threshold = s.threshold_percent / 100.0
    rows, place = np.arange(count), np.arange(length)
    above = level > threshold
    trigger = np.where(above.any(axis=1), above.argmax(axis=1), -1)
    window_end = trigger + max(1, strokes.samples_of(s.peak_window_ms))
    running = np.maximum.accumulate(level, axis=1)
    peak = running[rows, np.minimum(window_end - 1, length - 1)]
    dead_until = np.maximum(window_end, trigger + strokes.samples_of(s.dead_time_ms))
    age = (place[None, :] - dead_until[:, None]) / max(1e-9, s.release_ms * strokes.rate_hz / 1e3)
    falling = peak[:, None] * np.exp(-np.clip(age, 0.0, 700.0))
    rearm = np.maximum(threshold, falling)
    again = (level > rearm) & (age >= 0.0) & (trigger >= 0)[:, None]
    second = np.where(again.any(axis=1), again.argmax(axis=1), -1)
    return Replay(
        trigger=trigger.astype(np.int64),
        level=np.where(trigger >= 0, peak, math.nan).astype(np.float64),
        second=second.astype(np.int64),
        second_level=np.where(second >= 0, level[rows, second], math.nan).astype(np.float64),
        rearm_level=np.where(second >= 0, rearm[rows, second], math.nan).astype(np.float64),
    )


def pooled_spread_db(level: ArrayLike, force_n: ArrayLike) -> float:
    """Standard deviation of levels (dB) over strokes of one force, pooled over the forces."""
    decibels = 20.0 * np.log10(np.maximum(np.asarray(level, dtype=float), 1e-12))
    forces = np.asarray(force_n, dtype=float)
    use = np.isfinite(np.asarray(level, dtype=float)) & np.isfinite(forces)
    squares, freedom = 0.0, 0
    for force in np.unique(forces[use]):
        group = decibels[use & (forces == force)]
        squares += float(((group - group.mean()) ** 2).sum())
        freedom += group.size - 1
    return math.sqrt(squares / freedom) if freedom else math.nan
