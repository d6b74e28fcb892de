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
from analysis.module_facts import ModuleFacts, module_facts
from analysis.sensor import Noise
from analysis.waveforms import Waveforms
from rig.record.full_scale import CLIP_LEVEL
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
    facts = module_facts(run, settings, noise)
    place = {int(stroke): k for k, stroke in enumerate(run.strokes["stroke"])}
    table = strokes.sort_values("onset_t_s", kind="stable", na_position="first")
    rows: list[dict[str, Any]] = []
    for row in table.to_dict("records"):
        stroke, outcome = int(row["stroke"]), row["outcome"]
        if outcome == "no_contact":
            rows.append(_row("not_struck", row["drive_t_s"], stroke, "bench_fault"))
        elif outcome == "lost" and stroke in place:
            rows.append(_lost(run, place[stroke], facts))
    for note in notes.to_dict("records"):
        stroke, t_s = int(note["stroke"]), float(note["note_t_s"])
        if note["role"] == "double" and stroke in place:
            delay_s = t_s - float(run.strokes["note_t_s"].iloc[place[stroke]])
            rows.append(_double(run, place[stroke], delay_s, int(note["velocity"]), facts))
        elif note["role"] == "crosstalk":
            rows.append(_row("crosstalk", t_s, stroke, "crosstalk"))
        elif note["role"] == "stray":
            rows.append(_stray(t_s, int(note["velocity"]), table, facts))
    return pd.DataFrame(rows, columns=COLUMNS).sort_values("t_s", ignore_index=True)


def count(explained: pd.DataFrame) -> pd.DataFrame:
    """Count per kind and cause, the commonest first: kind, cause, count, setting, avoided_by.

    ``avoided_by``: the value that avoids nine in ten of them; NaN where no setting does.
    """
    if explained.empty:
        return pd.DataFrame(columns=["kind", "cause", "count", "setting", "avoided_by"])
    rows = []
    for (kind, cause, setting), group in explained.groupby(["kind", "cause", "setting"]):
        # notes too many are avoided by more of all but the gain, notes too few by less
        more = kind in ("double", "stray") and setting != "gain_db"
        value = group["avoided_by"].quantile(0.9 if more else 0.1)
        rows.append((kind, cause, len(group), setting, value))
    found = pd.DataFrame(rows, columns=["kind", "cause", "count", "setting", "avoided_by"])
    return found.sort_values("count", ascending=False, ignore_index=True)


def _row(
    kind: str, t_s: float, stroke: int, cause: str, setting: str = "", value: float = math.nan
) -> dict[str, Any]:
    values = (kind, float(t_s), stroke, cause, setting, value)
    return dict(zip(COLUMNS, values, strict=True))


def _lost(run: Waveforms, k: int, facts: ModuleFacts) -> dict[str, Any]:
    row, peaks, settings = run.strokes.iloc[k], facts.peaks, facts.settings
    t_s, stroke = float(row["onset_t_s"]), int(row["stroke"])
    if not facts.in_shadow[k] or peaks[k] <= facts.deaf:
        percent = 70.0 * float(peaks[k]) * facts.gain
        return _row("lost", t_s, stroke, "under_threshold", "threshold_percent", percent)
    # the re-arming level must have fallen from the stroke before to this one
    gap_ms = 1e3 * float(row["quiet_s"])
    ratio = math.log(max(1.0, float(peaks[k - 1] / peaks[k]))) if k else 0.0
    dead_ms = gap_ms - (settings.release_ms or 0.0) * ratio - 0.5
    if dead_ms >= facts.least_dead_ms:
        return _row("lost", t_s, stroke, "shadowed", "dead_time_ms", dead_ms)
    release_ms = (gap_ms - 0.5 - (settings.dead_time_ms or 0.0)) / max(ratio, 0.1)
    if release_ms >= facts.decay_ms:
        return _row("lost", t_s, stroke, "shadowed", "release_ms", release_ms)
    return _row("lost", t_s, stroke, "shadowed")


def _double(
    run: Waveforms, k: int, delay_s: float, velocity: int, facts: ModuleFacts
) -> dict[str, Any]:
    row, settings, decay_ms = run.strokes.iloc[k], facts.settings, facts.decay_ms
    t_s, stroke = float(row["onset_t_s"]), int(row["stroke"])
    sound = _Sound(run.envelopes.level[k].astype(float), run.envelopes.onset, run.envelopes.rate_hz)
    window_ms = settings.peak_window_ms or 2.0
    at_ms = 1e3 * delay_s
    first = sound.between(0.0, choices.FIRST_PEAK_MS)
    here = sound.between(at_ms - NOTE_SPREAD_MS, at_ms + window_ms + NOTE_SPREAD_MS)
    gain = facts.gain
    if here * gain < 0.7 * (settings.threshold_percent or 0.0) / 100.0:
        return _row("double", t_s, stroke, "noise", *facts.threshold_above(velocity))
    top = max(first, sound.between(0.0, window_ms)) * gain
    if top >= CLIP_LEVEL and _silent_unclipped(sound, top / gain, at_ms, settings):
        return _row("double", t_s, stroke, "clipped", "gain_db", -20.0 * math.log10(first) - 0.5)
    if sound.bump(at_ms, decay_ms) > LATE_PEAK_BUMP:
        return _row("double", t_s, stroke, "late_peak", "dead_time_ms", at_ms + window_ms + 0.5)
    fallen = math.log(max(first / here, 1.05)) if here > 0.0 else 1.0
    since_ms = max(0.5, at_ms - (settings.dead_time_ms or 0.0))
    least = max(decay_ms, since_ms / fallen)
    return _row("double", t_s, stroke, "release_too_fast", "release_ms", least)


def _silent_unclipped(sound: _Sound, peak: float, at_ms: float, settings: Settings) -> bool:
    """Tell whether a module that does not clip would have stayed armed too high for this double.

    Its re-arming level falls from the whole peak, which the recording has, not from full scale.
    """
    window_ms = settings.peak_window_ms or 2.0
    blind_ms = max(window_ms, settings.dead_time_ms or 0.0)
    begin = sound.onset + round((min(blind_ms, at_ms) + 0.1) * sound.rate_hz / 1e3)
    end = sound.onset + round((at_ms + NOTE_SPREAD_MS) * sound.rate_hz / 1e3)
    level = sound.level[begin:end]
    age_ms = np.arange(level.size) * 1e3 / sound.rate_hz
    release_ms = settings.release_ms or 20.0
    return not bool((level > peak * np.exp(-age_ms / release_ms)).any())


def _stray(t_s: float, velocity: int, table: pd.DataFrame, facts: ModuleFacts) -> dict[str, Any]:
    """Explain a note without a stroke: an onset without a strike just before it, or noise."""
    onset = table["onset_t_s"].to_numpy(dtype=float)
    unasked = onset[(table["strike"].to_numpy() < 0) & np.isfinite(onset)]
    if np.any((unasked < t_s) & (unasked > t_s - 0.030)):
        return _row("stray", t_s, -1, "touched")
    return _row("stray", t_s, -1, "noise", *facts.threshold_above(velocity))
