"""Why a stroke was lost, doubled, or a note came from nowhere; and what would have avoided it.

The cause is read off the sound and the time between strokes, not off the settings that a module
claims to have: a build whose dead time isn't what it was set to is found too.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis import choices
from analysis.detector import Envelopes
from analysis.sensor import CLIP_LEVEL, Noise
from analysis.waveforms import Waveforms
from rig.record.specimen import Settings

Array = NDArray[np.float64]

CAUSES = {
    "late_peak": "a late peak beyond the dead time",
    "release_too_fast": "the re-arming level falls faster than the pad rings out",
    "under_threshold": "under the threshold",
    "shadowed": "shadowed by the stroke before it",
    "clipped": "clipped, so that the re-arming level starts too low",
    "crosstalk": "crosstalk from the struck zone",
    "noise": "noise or interference on the module's input",
    "touched": "something touched the pad",
    "bench_fault": "the bench did not strike as planned",
}
"""Causes and how they are told."""

LONGEST_SHADOW_S = 0.200
"""A stroke this long after another is shadowed by none."""
NOTE_SPREAD_MS = 1.5
"""Loops of modules send a note this much earlier or later than another."""
LATE_PEAK_BUMP = 1.35
"""A late peak stands out of the ringing by this factor at least."""
COLUMNS = ["kind", "t_s", "stroke", "cause", "setting", "avoided_by"]


@dataclasses.dataclass(frozen=True)
class _Sound:
    """What is needed of one stroke's envelope."""

    level: Array
    onset: int
    rate_hz: float

    def between(self, begin_ms: float, end_ms: float) -> float:
        """Highest level between two times after the onset; 0 outside the window."""
        first = self.onset + round(begin_ms * self.rate_hz / 1e3)
        last = self.onset + round(end_ms * self.rate_hz / 1e3)
        part = self.level[max(0, first) : max(0, last)]
        return float(part.max()) if part.size else 0.0

    def rms(self, begin_ms: float, end_ms: float) -> float:
        """Root mean square between two times after the onset; 0 outside the window."""
        first = self.onset + round(begin_ms * self.rate_hz / 1e3)
        last = self.onset + round(end_ms * self.rate_hz / 1e3)
        part = self.level[max(0, first) : max(0, last)]
        return math.sqrt(float(np.mean(part**2))) if part.size else 0.0

    def bump(self, at_ms: float, decay_ms: float) -> float:
        """Level at a time over what the ringing alone would be there.

        The ringing is drawn, in decibels, as a line from just before to some time after; or, where
        the next stroke cuts the sound off, as the natural decay from before.
        """
        begin, end = max(2.5, at_ms - 6.0), max(3.5, at_ms - 2.0)
        before, middle = self.rms(begin, end), 0.5 * (begin + end)
        after = self.rms(at_ms + 6.0, at_ms + 14.0)
        here = self.rms(at_ms - 0.5, at_ms + 2.5)
        if before <= 0.0:
            return 1.0
        slope = -1.0 / max(decay_ms, 1.0)
        if after > 0.01 * before and self.rms(at_ms + 13.0, at_ms + 14.0) > 0.0:
            slope = math.log(after / before) / (at_ms + 10.0 - middle)
        return here / (before * math.exp(slope * (at_ms + 1.0 - middle)))


def explain(
    run: Waveforms, strokes: pd.DataFrame, notes: pd.DataFrame, settings: Settings, noise: Noise
) -> pd.DataFrame:
    """Explain every lost stroke, double, stray and crosstalk of a run.

    Parameters
    ----------
    run
        Waveforms of the run's strokes.
    strokes, notes
        Stroke table and notes table.
    settings
        As the module is said to have; what is not known is ``None``.
    noise
        Of the sensor.

    Returns
    -------
    pandas.DataFrame
        One row a fault in order of time: kind (``lost``, ``double``, ``stray``, ``crosstalk``,
        ``not_struck``), t_s, stroke (-1: none), cause (of ``CAUSES``), setting and the value that
        would have avoided it (``avoided_by``; NaN and "" where no setting would). Empty where
        nothing went wrong.
    """
    place = {int(stroke): k for k, stroke in enumerate(run.strokes["stroke"])}
    decay_ms = choices.natural_decay_ms(run.envelopes, noise)
    if not math.isfinite(decay_ms):
        decay_ms = settings.release_ms or 20.0
    table = strokes.sort_values("onset_t_s", kind="stable", na_position="first")
    peaks = _peaks(run.envelopes)
    deaf = _deaf_below(run, peaks, settings)
    rows: list[dict[str, Any]] = []
    for row in table.to_dict("records"):
        stroke, outcome = int(row["stroke"]), row["outcome"]
        if outcome == "no_contact" or (outcome == "invalid" and row["strike"] >= 0):
            at = row["onset_t_s"] if math.isfinite(row["onset_t_s"]) else row["drive_t_s"]
            rows.append(_row("not_struck", at, stroke, "bench_fault"))
        elif outcome == "lost" and stroke in place:
            rows.append(_lost(run, place[stroke], peaks, deaf, settings))
    for note in notes.to_dict("records"):
        stroke, t_s = int(note["stroke"]), float(note["note_t_s"])
        if note["role"] == "double" and stroke in place:
            delay_s = t_s - float(run.strokes["note_t_s"].iloc[place[stroke]])
            rows.append(_double(run, place[stroke], delay_s, settings, decay_ms))
        elif note["role"] == "crosstalk":
            rows.append(_row("crosstalk", t_s, stroke, "crosstalk"))
        elif note["role"] == "stray":
            rows.append(_stray(t_s, table, settings))
    return pd.DataFrame(rows, columns=COLUMNS).sort_values("t_s", ignore_index=True)


def count(explained: pd.DataFrame) -> pd.DataFrame:
    """Count per kind and cause, the commonest first: kind, cause, count, setting, avoided_by.

    ``avoided_by``: the value that avoids nine in ten of them (for a dead time or a release the
    90th percentile, for the others the 10th).
    """
    if explained.empty:
        return pd.DataFrame(columns=["kind", "cause", "count", "setting", "avoided_by"])
    rows = []
    for (kind, cause, setting), group in explained.groupby(["kind", "cause", "setting"]):
        longer = kind == "double"
        value = group["avoided_by"].quantile(0.9 if longer else 0.1)
        rows.append((kind, cause, len(group), setting, value))
    found = pd.DataFrame(rows, columns=["kind", "cause", "count", "setting", "avoided_by"])
    return found.sort_values("count", ascending=False, ignore_index=True)


def _row(
    kind: str, t_s: float, stroke: int, cause: str, setting: str = "", value: float = math.nan
) -> dict[str, Any]:
    values = (kind, float(t_s), stroke, cause, setting, value)
    return dict(zip(COLUMNS, values, strict=True))


def _peaks(strokes: Envelopes) -> Array:
    return choices.first_peaks(strokes)


def _deaf_below(run: Waveforms, peaks: Array, settings: Settings) -> float:
    """Level (as recorded) below which the module hears nothing, as its lonely strokes show.

    Between the hardest lonely stroke that was lost and the softest that sounded above it; the
    threshold in force where no lonely stroke was lost.
    """
    lonely = run.strokes["quiet_s"].to_numpy(dtype=float) > LONGEST_SHADOW_S
    outcome = run.strokes["outcome"].to_numpy()
    lost = peaks[lonely & (outcome == "lost")]
    if lost.size == 0:
        gain = 10.0 ** ((settings.gain_db or 0.0) / 20.0)
        return float((settings.threshold_percent or 0.0) / 100.0 / gain)
    return float(lost.max())


def _lost(run: Waveforms, k: int, peaks: Array, deaf: float, settings: Settings) -> dict[str, Any]:
    row = run.strokes.iloc[k]
    t_s, stroke = float(row["onset_t_s"]), int(row["stroke"])
    gap_ms = 1e3 * float(row["quiet_s"])
    if gap_ms > 1e3 * LONGEST_SHADOW_S or peaks[k] <= deaf:
        gain_db = settings.gain_db or 0.0
        percent = 70.0 * float(peaks[k]) * 10.0 ** (gain_db / 20.0)
        return _row("lost", t_s, stroke, "under_threshold", "threshold_percent", percent)
    # the re-arming level must have fallen from the stroke before to this one
    ratio = math.log(max(1.0, float(peaks[k - 1] / peaks[k]))) if k else 0.0
    wait_ms = (settings.release_ms or 0.0) * ratio
    if gap_ms - wait_ms > 1.0:
        return _row("lost", t_s, stroke, "shadowed", "dead_time_ms", gap_ms - wait_ms - 0.5)
    room_ms = max(0.5, gap_ms - (settings.dead_time_ms or 0.0))
    return _row("lost", t_s, stroke, "shadowed", "release_ms", room_ms / max(ratio, 0.1))


def _double(
    run: Waveforms, k: int, delay_s: float, settings: Settings, decay_ms: float
) -> dict[str, Any]:
    row = run.strokes.iloc[k]
    t_s, stroke = float(row["onset_t_s"]), int(row["stroke"])
    sound = _Sound(run.envelopes.level[k].astype(float), run.envelopes.onset, run.envelopes.rate_hz)
    window_ms = settings.peak_window_ms or 2.0
    at_ms = 1e3 * delay_s
    first = sound.between(0.0, choices.FIRST_PEAK_MS)
    here = sound.between(at_ms - NOTE_SPREAD_MS, at_ms + window_ms + NOTE_SPREAD_MS)
    gain = 10.0 ** ((settings.gain_db or 0.0) / 20.0)
    if here * gain < 0.7 * (settings.threshold_percent or 0.0) / 100.0:
        twice = 2.0 * (settings.threshold_percent or math.nan)
        return _row("double", t_s, stroke, "noise", "threshold_percent", twice)
    if max(first, sound.between(0.0, window_ms)) * gain >= CLIP_LEVEL and here * gain > 0.5:
        return _row("double", t_s, stroke, "clipped", "gain_db", -20.0 * math.log10(first) - 0.5)
    if sound.bump(at_ms, decay_ms) > LATE_PEAK_BUMP:
        return _row("double", t_s, stroke, "late_peak", "dead_time_ms", at_ms + window_ms + 0.5)
    fallen = math.log(max(first / here, 1.05)) if here > 0.0 else 1.0
    since_ms = max(0.5, at_ms - (settings.dead_time_ms or 0.0))
    least = max(decay_ms, since_ms / fallen)
    return _row("double", t_s, stroke, "release_too_fast", "release_ms", least)


def _stray(t_s: float, table: pd.DataFrame, settings: Settings) -> dict[str, Any]:
    """Explain a note without a stroke: an onset without a strike just before it, or noise."""
    onset = table["onset_t_s"].to_numpy(dtype=float)
    unasked = onset[(table["strike"].to_numpy() < 0) & np.isfinite(onset)]
    if np.any((unasked < t_s) & (unasked > t_s - 0.030)):
        return _row("stray", t_s, -1, "touched")
    twice = 2.0 * settings.threshold_percent if settings.threshold_percent else math.nan
    return _row("stray", t_s, -1, "noise", "threshold_percent", twice)
