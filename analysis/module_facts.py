"""What a run as a whole tells of its module and pad: what every single fault is judged against."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
from numpy.typing import NDArray

from analysis import choices
from analysis.sensor import Noise
from analysis.waveforms import Waveforms
from rig.record.specimen import Settings

Array = NDArray[np.float64]

LONGEST_SHADOW_S = 0.200
"""A stroke this long after another is shadowed by none."""
SEVERAL = 3
"""Notes that must show the same before anything is said of the build; one or two are chance."""
SURE_DB = 2.0
"""Levels that differ by more are told apart: what is left of the stroke before raises or lowers the
one after it."""
SURE = 10.0 ** (SURE_DB / 20.0)


@dataclasses.dataclass(frozen=True)
class ModuleFacts:
    """Facts of one run.

    ``peaks``, ``in_shadow``: of each stroke; levels as recorded. ``after``: the last stroke before
    it that sounded, -1 where none did within ``LONGEST_SHADOW_S``; ``gap_ms`` since that one, and
    ``fall``, the logarithm of its peak over this one's (0 where it is the softer). ``deaf``: level
    below which the module hears nothing. ``decay_ms``: of the pad. ``least_dead_ms``: without which
    single strokes would double. ``full``, ``exponent``: from the module's level to its velocity.
    """

    settings: Settings
    peaks: Array
    in_shadow: NDArray[np.bool_]
    after: NDArray[np.int64]
    gap_ms: Array
    fall: Array
    deaf: float
    decay_ms: float
    least_dead_ms: float
    full: float
    exponent: float

    @property
    def gain(self) -> float:
        """Of the module's input; 1 where not known."""
        return float(10.0 ** ((self.settings.gain_db or 0.0) / 20.0))

    def threshold_above(self, velocity: int) -> tuple[str, float]:
        """Threshold that keeps a note of this velocity from coming; none where strokes would go."""
        share = max(velocity - 1.0, 0.5) / 126.0
        level = self.full * share ** (1.0 / self.exponent)
        above = 1.3 * max(level, (self.settings.threshold_percent or 0.0) / 100.0)
        softest = np.quantile(self.peaks, 0.02) * self.gain
        if not above < softest:
            return "", math.nan
        return "threshold_percent", 100.0 * float(above)


def module_facts(run: Waveforms, settings: Settings, noise: Noise) -> ModuleFacts:
    """Tell them from its waveforms, the settings in force and the sensor's noise."""
    peaks = choices.first_peaks(run.envelopes)
    after, gap_ms, fall = _after(run, peaks)
    in_shadow = _in_shadow(run, peaks, settings, gap_ms, fall)
    decay_ms = choices.natural_decay_ms(run.envelopes, noise)
    if not math.isfinite(decay_ms):
        decay_ms = settings.release_ms or 20.0
    alone = run.lonely().envelopes
    # without strokes that ring out alone nothing tells it
    least_dead_ms = settings.peak_window_ms or 2.0
    gain_db = settings.gain_db or 0.0
    if len(alone):
        blind = choices.recovery_times_ms(
            alone,
            settings.threshold_percent or choices.threshold_percent(noise, math.inf, gain_db, 1.0),
            settings.peak_window_ms or 2.0,
            max(settings.release_ms or 0.0, decay_ms),
            gain_db,
        )
        least_dead_ms = float(blind.max())
    velocity = run.strokes["velocity"].to_numpy(dtype=float)
    full, exponent = choices.input_curve(peaks * 10.0 ** (gain_db / 20.0), velocity)
    return ModuleFacts(
        settings=settings,
        peaks=peaks,
        in_shadow=in_shadow,
        after=after,
        gap_ms=gap_ms,
        fall=fall,
        deaf=_deaf_below(run, peaks, in_shadow, settings),
        decay_ms=decay_ms,
        least_dead_ms=least_dead_ms,
        full=full,
        exponent=exponent,
    )


def _after(run: Waveforms, peaks: Array) -> tuple[NDArray[np.int64], Array, Array]:
    """Tell for each stroke which one before it made the module blind, since when, and how far."""
    onset_s = run.strokes["onset_t_s"].to_numpy(dtype=float)
    sounded = np.isfinite(run.strokes["note_t_s"].to_numpy(dtype=float))
    place = np.arange(len(peaks))
    last = np.maximum.accumulate(np.where(sounded, place, -1))
    after = np.concatenate([[-1], last[:-1]]).astype(np.int64)
    gap_ms = np.where(after >= 0, 1e3 * (onset_s - onset_s[after]), math.inf)
    after = np.where(gap_ms > 1e3 * LONGEST_SHADOW_S, -1, after)
    louder = np.maximum(peaks[after] / np.maximum(peaks, 1e-9), 1.0)
    return after, gap_ms, np.where(after >= 0, np.log(louder), 0.0)


def _in_shadow(
    run: Waveforms, peaks: Array, settings: Settings, gap_ms: Array, fall: Array
) -> NDArray[np.bool_]:
    """Tell which strokes came so soon after another that it may have hidden them.

    Thrice as long as dead time and release in force would take, since a build may not keep to them;
    longer where strokes that are loud enough are lost beyond that.
    """
    hidden_ms = np.full(len(peaks), 1e3 * LONGEST_SHADOW_S)
    if settings.dead_time_ms is not None and settings.release_ms is not None:
        most = 3.0 * (settings.dead_time_ms + settings.release_ms * fall)
        blind_ms = _blind_ms(run, peaks, gap_ms - settings.release_ms * fall)
        most = np.maximum(most, blind_ms + settings.release_ms * fall)
        hidden_ms = np.minimum(hidden_ms, most)
    return np.asarray(gap_ms <= hidden_ms)


def _blind_ms(run: Waveforms, peaks: Array, since_ms: Array) -> float:
    """Return the dead time that parts loud strokes that were lost from those that sounded; 0: none.

    ``since_ms``: since the stroke before, less what the release took. Loud: so that softer ones
    sounded. The time with the fewest strokes on the wrong side, the longest of them.
    """
    outcome = run.strokes["outcome"].to_numpy()
    sounded = np.isin(outcome, ["clean", "double"])
    near = since_ms <= 1e3 * LONGEST_SHADOW_S
    if sounded.sum() < SEVERAL:
        return 0.0
    loud = near & (peaks > SURE * np.quantile(peaks[sounded], 0.05))
    lost, caught = since_ms[loud & (outcome == "lost")], since_ms[loud & sounded]
    if lost.size < SEVERAL:
        return 0.0
    tried = np.unique(np.concatenate([lost, caught, [0.0]]))
    tried = tried[tried >= 0.0]
    wrong = [(lost > ms).sum() + (caught <= ms).sum() for ms in tried]
    return float(tried[np.flatnonzero(wrong == np.min(wrong))[-1]])


def _deaf_below(
    run: Waveforms, peaks: Array, in_shadow: NDArray[np.bool_], settings: Settings
) -> float:
    """Level (as recorded) below which the module hears nothing.

    The threshold in force, unless strokes show it to be another: the level with the fewest strokes
    on its wrong side, of those that sounded and those that were lost in no other's shadow.
    """
    outcome = run.strokes["outcome"].to_numpy()
    sounded = np.sort(peaks[np.isin(outcome, ["clean", "double"])])
    lost = np.sort(peaks[~in_shadow & (outcome == "lost")])
    gain = 10.0 ** ((settings.gain_db or 0.0) / 20.0)
    deaf = float((settings.threshold_percent or 0.0) / 100.0 / gain)
    if sounded.size:
        deaf = min(deaf, float(np.quantile(sounded, 0.02)))
    tried = np.concatenate([[deaf], lost[lost > deaf]])
    wrong = np.searchsorted(sounded, tried, side="right") + (
        lost.size - np.searchsorted(lost, tried, side="right")
    )
    return float(tried[np.flatnonzero(wrong == wrong.min())[-1]])
