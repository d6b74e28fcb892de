"""Settings for a module on a pad, and what they are expected to give."""

from __future__ import annotations

import dataclasses
import math

import msgspec
import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis import choices
from analysis.dead_time_basis import dead_time_basis
from analysis.detector import Envelopes, Replay, replay
from analysis.front import Front, front
from analysis.reasons import Advice, curve_advice, gain_advice, threshold_advice
from analysis.sensor import Noise
from analysis.timing_reasons import timing_advice
from rig.record.bench_fault import BenchError
from rig.record.specimen import Settings

Array = NDArray[np.float64]

LEAST_SPAN_DB = 12.0
"""Softest to hardest stroke, at least, for settings of all strokes (a factor of 4 in force)."""
LEAST_STROKES = 20
MOST_AGAIN = 0.2
"""Share of strokes that may be left out; where more sound again, it is the pad that does."""
DEAD_MARGIN_MS = 0.2
"""The module counts in whole samples of its own, and rounds."""


class AdviceError(BenchError):
    """Too little to advise on."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Recommendation:
    """Settings to start from.

    Attributes
    ----------
    settings, advice
        The settings, and each with its reason.
    latency_ms
        Predicted mean latency of these strokes; NaN where today's is not known.
    lost_share, doubled_share
        Predicted, as fractions, of these strokes.
    cautions
        What no setting can mend.
    front
        The trade-offs.
    count
        Strokes behind it.
    """

    settings: Settings
    advice: tuple[Advice, ...]
    latency_ms: float
    lost_share: float
    doubled_share: float
    cautions: tuple[str, ...]
    front: Front
    count: int


def advise(
    strokes: Envelopes,
    noise: Noise,
    *,
    today: Settings,
    latency_ms: ArrayLike | None = None,
    velocity: ArrayLike | None = None,
    declared_exponent: float = 1.0,
    force_known: bool = True,
    false_per_h: float = 1.0,
    gain_range_db: tuple[float, float] = (-12.0, 24.0),
) -> Recommendation:
    """Advise settings from recorded strokes.

    Parameters
    ----------
    strokes
        As recorded, over the forces that will be played, each struck several times and left to
        ring out. The recording's full scale is taken to be the module's at 0 dB gain.
    noise
        Of the sensor.
    today
        Settings in force in the run; what is not known is ``None``.
    latency_ms, velocity
        Of each stroke, as measured with today's settings; NaN where there was no note.
    declared_exponent
        Velocity over force, as it is meant to be.
    force_known
        ``force_n`` of the strokes is a force, and no width of a bench that is not calibrated.
    false_per_h
        How often noise may trigger.
    gain_range_db
        What the module can be set to.

    Raises
    ------
    AdviceError
        Fewer than ``LEAST_STROKES`` strokes, or none that any threshold catches.
    """
    count = len(strokes)
    if count < LEAST_STROKES:
        raise AdviceError(
            f"advice on settings: strokes that ring out alone: {count}; at least {LEAST_STROKES} "
            "are needed. Strike single strokes over all forces, 250 ms apart"
        )
    latencies = _per_stroke(latency_ms, count)
    velocities = _per_stroke(velocity, count)
    cautions: list[str] = []
    again = choices.sounds_again(strokes)
    if 0.0 < again.mean() < MOST_AGAIN:
        cautions.append(
            f"{again.sum()} of {count} strokes are left out: something else sounds in them, as a "
            "second stroke that was not told from the first"
        )
        strokes = strokes.subset(~again)
        latencies, velocities = latencies[~again], velocities[~again]
    now = _replay_today(strokes, today)
    if today.gain_db is None:
        cautions.append(
            "today's gain is not known: the gain advised counts from a module whose full scale is "
            "the recording's. Write today's settings into the specimen file, [module.settings]"
        )
    peaks = choices.first_peaks(strokes)
    span_db = float(20.0 * np.log10(peaks.max() / peaks.min())) if peaks.min() > 0.0 else math.inf
    if span_db < LEAST_SPAN_DB:
        cautions.append(
            f"the first peaks of all strokes lie within {math.floor(10.0 * span_db) / 10.0:g} dB, "
            f"and {LEAST_SPAN_DB:g} dB or more are wanted: gain and threshold are those "
            "of such strokes alone; strike single strokes over all forces"
        )
    gain, gain_db = gain_advice(strokes, today, now, velocities, gain_range_db, cautions)
    decay_ms = choices.natural_decay_ms(strokes, noise)
    if not math.isfinite(decay_ms):
        cautions.append(
            "no stroke is loud enough over the noise (40 dB) to tell how the pad rings out: the "
            "release is today's, or 20 ms; strike harder"
        )
    natural_ms = decay_ms if math.isfinite(decay_ms) else (today.release_ms or 20.0)
    timing = choices.timing(strokes, noise, natural_ms, gain_db, false_per_h)
    percent, least_dead_ms = timing.threshold_percent, timing.least_dead_ms
    if not math.isfinite(timing.peak_window_ms):
        raise AdviceError(
            f"advice on settings: no stroke passes a threshold of {percent:.2g} % of full scale; "
            "see that the sensor is plugged in and strike harder"
        )
    window_ms, release_ms = timing.peak_window_ms, timing.release_ms
    threshold = threshold_advice(strokes, noise, today, gain_db, false_per_h, timing, cautions)
    if least_dead_ms > choices.LONGEST_DEAD_MS:
        cautions.append(
            f"the pad rings for {least_dead_ms:.0f} ms above where the module is armed again: no "
            f"dead time up to {choices.LONGEST_DEAD_MS:g} ms keeps every stroke from doubling; "
            "damp the pad"
        )
    covered_ms = min(least_dead_ms, choices.LONGEST_DEAD_MS)
    dead_ms = max(round(covered_ms + DEAD_MARGIN_MS, 2), window_ms)
    basis = dead_time_basis(strokes, dead_ms, force_known=force_known)
    if basis:
        cautions.append(basis)
    curve = curve_advice(strokes, today, velocities, declared_exponent) if force_known else None
    if curve is None:
        cautions.append(_no_curve(today, velocities, force_known=force_known))
    settings = Settings(
        gain_db=gain_db,
        threshold_percent=round(percent, 3),
        peak_window_ms=window_ms,
        dead_time_ms=dead_ms,
        release_ms=release_ms,
        curve_exponent=curve.value if curve else today.curve_exponent,
    )
    then = replay(strokes, settings)
    predicted = _latency(strokes, today, now, settings, then, latencies)
    if window_ms < 2.0:
        cautions.append(
            f"a peak window of {window_ms:g} ms is shorter than the 2 ms that are usual, and a "
            "module that senses the position needs about 2.3 ms (common practice, no source): "
            "check it with soft and off-centre strokes"
        )
    advice = [
        gain,
        threshold,
        *timing_advice(strokes, settings, today, decay_ms, least_dead_ms),
        *([curve] if curve else []),
    ]
    return Recommendation(
        settings=settings,
        advice=tuple(advice),
        latency_ms=predicted,
        lost_share=float(then.lost.mean()),
        doubled_share=float(then.doubled.mean()),
        cautions=tuple(cautions),
        front=front(strokes, settings, today),
        count=len(strokes),
    )


def _no_curve(today: Settings, velocity: Array, *, force_known: bool) -> str:
    """Tell why nothing is advised of the velocity curve."""
    why = "too few velocities from 5 to 126, or strokes of one force alone"
    if not force_known:
        why = "the forces of the strokes are not known"
    elif not np.isfinite(velocity).any():
        why = "no notes were recorded"
    elif today.curve_exponent is None:
        why = "today's exponent is not known; write it into the specimen file, [module.settings]"
    return (
        f"no advice on the velocity curve: {why}. An upward-curving parabola, exponent 2, is a "
        "usual start (common practice, no source)"
    )


def _per_stroke(values: ArrayLike | None, count: int) -> Array:
    if values is None:
        return np.full(count, math.nan)
    given = np.asarray(values, dtype=float)
    if given.shape != (count,):
        raise AdviceError(
            f"advice on settings: {given.shape} figures for {count} strokes; one a stroke is needed"
        )
    return given


def _replay_today(strokes: Envelopes, today: Settings) -> Replay | None:
    """Triggers and levels with today's settings; None where they are not known."""
    if today.threshold_percent is None or today.peak_window_ms is None:
        return None
    filled = msgspec.structs.replace(
        today, dead_time_ms=today.dead_time_ms or 0.0, release_ms=today.release_ms or 0.0
    )
    return replay(strokes, filled)


def _latency(
    strokes: Envelopes, today: Settings, now: Replay | None, settings: Settings, then: Replay,
    latencies: Array,
) -> float:  # fmt: skip
    """Mean latency predicted: what comes after the peak window stays as it is today."""
    if now is None or today.peak_window_ms is None or settings.peak_window_ms is None:
        return math.nan
    to_ms = 1e3 / strokes.rate_hz
    rest = latencies - (now.trigger - strokes.onset) * to_ms - today.peak_window_ms
    # what follows the peak window is alike for all strokes, but told by those alone whose trigger
    # is sharp: near the threshold a module triggers where noise and its sampling have it
    clear = np.where(now.lost, 0.0, now.level) > 2.0 * (today.threshold_percent or 0.0) / 100.0
    told = np.isfinite(latencies) & clear
    if not told.any() or then.lost.all():
        return math.nan
    new = (then.trigger - strokes.onset) * to_ms + settings.peak_window_ms
    return float(rest[told].mean() + new[~then.lost].mean())
