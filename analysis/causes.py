"""Why a stroke was lost, doubled, or a note came from nowhere; and what would have avoided it.

The cause is read off the sound and the time between strokes, not off the settings that a module
claims to have: a build whose dead time isn't what it was set to is found too.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from analysis import choices
from analysis.heard_level import HeardLevel
from analysis.module_facts import SEVERAL, SURE, ModuleFacts, module_facts
from analysis.sensor import Noise
from analysis.waveforms import Waveforms
from rig.record.full_scale import CLIP_LEVEL
from rig.record.specimen import Settings

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
LATE_BUMP_MORE = 2.0
"""So many times that after ``choices.LATE_MS``, when late peaks have come: two partials that beat
rise as well."""
COLUMNS = ["stroke", "note", "t_s", "kind", "cause", "setting", "avoided_by", "not_kept"]
"""Of :func:`explain`."""
COUNTED = ["kind", "cause", "count", "setting", "avoided_by", "not_kept"]
"""Of :func:`count`."""


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
        One row a fault in order of time: stroke (-1: none), note (row of the notes table from 0;
        -1 where one is missing), t_s, kind (``lost``, ``double``, ``stray``, ``crosstalk``,
        ``not_struck``), cause (of ``CAUSES``), setting and the value that would have avoided it
        (``avoided_by``; NaN and "" where no setting would), and ``not_kept``: the settings in
        force, were they kept, should have avoided it, which ``SEVERAL`` faults of the kind show
        beyond their uncertainty. Empty where nothing went wrong.
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
    for number, note in enumerate(notes.to_dict("records")):
        made = len(rows)
        stroke, t_s = int(note["stroke"]), float(note["note_t_s"])
        if note["role"] == "double" and stroke in place:
            delay_s = t_s - float(run.strokes["note_t_s"].iloc[place[stroke]])
            rows.append(_double(run, place[stroke], delay_s, int(note["velocity"]), facts))
        elif note["role"] == "crosstalk":
            rows.append(_row("crosstalk", t_s, stroke, "crosstalk"))
        elif note["role"] == "stray":
            rows.append(_stray(t_s, int(note["velocity"]), table, facts))
        for own in rows[made:]:
            own["note"] = number
    found = pd.DataFrame(rows, columns=COLUMNS).astype({"not_kept": bool})
    alike = found.groupby(["kind", "setting"])["not_kept"].transform("sum")
    found["not_kept"] &= alike >= SEVERAL
    return found.sort_values("t_s", kind="stable", ignore_index=True)


def count(explained: pd.DataFrame) -> pd.DataFrame:
    """Count per kind and cause, the commonest first; columns ``COUNTED``.

    ``avoided_by``: the value that avoids nine in ten of them; NaN where no setting does.
    """
    rows = []
    by = ["kind", "cause", "setting", "not_kept"]
    for (kind, cause, setting, not_kept), group in explained.groupby(by):
        # notes too many are avoided by more of all but the gain, notes too few by less
        more = kind in ("double", "stray") and setting != "gain_db"
        value = group["avoided_by"].quantile(0.9 if more else 0.1)
        rows.append((kind, cause, len(group), setting, value, bool(not_kept)))
    found = pd.DataFrame(rows, columns=COUNTED)
    return found.sort_values("count", ascending=False, ignore_index=True)


def _row(
    kind: str, t_s: float, stroke: int, cause: str, setting: str = "", value: float = math.nan,
    *, not_kept: bool = False,
) -> dict[str, Any]:  # fmt: skip
    values = (stroke, -1, float(t_s), kind, cause, setting, value, not_kept)
    return dict(zip(COLUMNS, values, strict=True))


def _lost(run: Waveforms, k: int, facts: ModuleFacts) -> dict[str, Any]:
    row, peaks, settings = run.strokes.iloc[k], facts.peaks, facts.settings
    t_s, stroke = float(row["onset_t_s"]), int(row["stroke"])
    # so long after another that settings as these hide nothing, but much louder than what is heard
    sure = 1.0 if facts.in_shadow[k] else SURE
    if facts.after[k] < 0 or peaks[k] <= facts.deaf * sure:
        percent = 70.0 * float(peaks[k]) * facts.gain
        return _row("lost", t_s, stroke, "under_threshold", "threshold_percent", percent)
    # the re-arming level must have fallen from the last stroke that sounded to this one
    gap_ms, fall = float(facts.gap_ms[k]), float(facts.fall[k])
    dead_ms = gap_ms - (settings.release_ms or 0.0) * fall - 0.5
    not_kept = _waited_longer(run, k, dead_ms, facts)
    if dead_ms >= facts.least_dead_ms or not_kept:
        return _row("lost", t_s, stroke, "shadowed", "dead_time_ms", dead_ms, not_kept=not_kept)
    release_ms = (gap_ms - 0.5 - (settings.dead_time_ms or 0.0)) / max(fall, 0.1)
    if release_ms >= facts.decay_ms:
        return _row("lost", t_s, stroke, "shadowed", "release_ms", release_ms)
    return _row("lost", t_s, stroke, "shadowed")


def _waited_longer(run: Waveforms, k: int, dead_ms: float, facts: ModuleFacts) -> bool:
    """Tell whether the settings in force should have caught a stroke that was lost.

    Beyond what its level is known to, and a note's own jitter; and only where the stroke before it
    did not double, since a second trigger begins the dead time anew.
    """
    settings, before = facts.settings, facts.after[k]
    if settings.dead_time_ms is None or settings.release_ms is None or before < 0:
        return False
    if run.strokes["outcome"].iloc[before] != "clean" or facts.peaks[k] * facts.gain <= (
        2.0 * (settings.threshold_percent or 0.0) / 100.0
    ):
        return False
    louder = math.log(max(1.0, float(facts.peaks[k] / facts.peaks[before])))
    level_ms = settings.release_ms * max(0.0, math.log(SURE) - louder)
    return dead_ms > settings.dead_time_ms + NOTE_SPREAD_MS + level_ms


def _double(
    run: Waveforms, k: int, delay_s: float, velocity: int, facts: ModuleFacts
) -> dict[str, Any]:
    row, settings, decay_ms = run.strokes.iloc[k], facts.settings, facts.decay_ms
    t_s, stroke = float(row["onset_t_s"]), int(row["stroke"])
    sound = HeardLevel.of(run.envelopes, k)
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
    bump = LATE_PEAK_BUMP * (LATE_BUMP_MORE if at_ms > choices.LATE_MS else 1.0)
    fallen = math.log(max(first / here, 1.05)) if here > 0.0 else 1.0
    too_soon = at_ms + NOTE_SPREAD_MS < (settings.dead_time_ms or 0.0)
    if sound.bump(at_ms, decay_ms) > bump:
        covered_ms = at_ms + window_ms + 0.5
        return _row(
            "double", t_s, stroke, "late_peak", "dead_time_ms", covered_ms, not_kept=too_soon
        )
    since_ms = at_ms - (settings.dead_time_ms or 0.0)
    least = max(decay_ms, max(0.5, since_ms) / fallen)
    # the level that a second trigger must pass is still well above this sound
    held_ms = (settings.release_ms or 0.0) * max(0.0, fallen - math.log(SURE))
    not_kept = too_soon or since_ms + NOTE_SPREAD_MS < held_ms
    return _row("double", t_s, stroke, "release_too_fast", "release_ms", least, not_kept=not_kept)


def _silent_unclipped(sound: HeardLevel, peak: float, at_ms: float, settings: Settings) -> bool:
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
