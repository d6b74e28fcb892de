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


@dataclasses.dataclass(frozen=True)
class ModuleFacts:
    """Facts of one run.

    ``peaks``, ``in_shadow``: of each stroke; levels as recorded. ``deaf``: level below which the
    module hears nothing. ``decay_ms``: of the pad. ``least_dead_ms``: without which single strokes
    would double. ``full``, ``exponent``: from the module's level to its velocity.
    """

    settings: Settings
    peaks: Array
    in_shadow: NDArray[np.bool_]
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
    in_shadow = _in_shadow(run, peaks, settings)
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
        deaf=_deaf_below(run, peaks, in_shadow, settings),
        decay_ms=decay_ms,
        least_dead_ms=least_dead_ms,
        full=full,
        exponent=exponent,
    )


def _in_shadow(run: Waveforms, peaks: Array, settings: Settings) -> NDArray[np.bool_]:
    """Tell which strokes came so soon after another that it may have hidden them.

    Thrice as long as dead time and release in force would take, since a build may not keep to them.
    """
    gap_ms = 1e3 * run.strokes["quiet_s"].to_numpy(dtype=float)
    before = np.concatenate([[0.0], peaks[:-1]])
    fall = np.log(np.maximum(before / np.maximum(peaks, 1e-9), 1.0))
    hidden_ms = np.full(len(peaks), 1e3 * LONGEST_SHADOW_S)
    if settings.dead_time_ms is not None and settings.release_ms is not None:
        most = 3.0 * (settings.dead_time_ms + settings.release_ms * fall)
        hidden_ms = np.minimum(hidden_ms, most)
    return np.asarray(gap_ms <= hidden_ms)


def _deaf_below(
    run: Waveforms, peaks: Array, in_shadow: NDArray[np.bool_], settings: Settings
) -> float:
    """Level (as recorded) below which the module hears nothing.

    The threshold in force, unless strokes show it to be another: softer ones that sounded, or
    louder ones that were lost in no other's shadow.
    """
    outcome = run.strokes["outcome"].to_numpy()
    sounded = peaks[np.isin(outcome, ["clean", "double"])]
    lost = peaks[~in_shadow & (outcome == "lost")]
    gain = 10.0 ** ((settings.gain_db or 0.0) / 20.0)
    deaf = float((settings.threshold_percent or 0.0) / 100.0 / gain)
    if sounded.size:
        deaf = min(deaf, float(np.quantile(sounded, 0.02)))
    return max(deaf, float(lost.max())) if lost.size else deaf
