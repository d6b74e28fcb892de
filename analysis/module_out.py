"""The module's own sound: when it begins after each note, heard on a recorded output.

This is what a player hears; it holds the module's rendering, its converter and its sound's own
rise, which a note on the wire does not.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis import interval
from analysis.interval import Interval
from analysis.match import match_times, usual_flight
from analysis.measure import Measure
from analysis.onset import Onsets
from analysis.selection import NOTED, contacts, measured

Floats = npt.NDArray[np.float64]

LARGEST_DELAY_S = 0.1
"""Sounds begin within this of their notes, before or after the last byte."""
JITTER_S = 0.015
"""A sound may be so far from the usual delay: more than a module's audio buffer."""


def sounds_of_notes(
    note_t_s: npt.ArrayLike, sounds: Onsets, sample_rate_hz: float
) -> tuple[Floats, Floats]:
    """Give each note its sound: one to one, near the usual delay.

    Parameters
    ----------
    note_t_s
        (n,) ends of notes on the audio clock, rising.
    sounds
        Where sounds begin on the output's channel (1 % of their peaks).
    sample_rate_hz
        Of the recording in which both were found.

    Returns
    -------
    sound_t_s, sound_u_s
        (n,) beginning of its sound on the audio clock, and its standard uncertainty; NaN for a
        note without one.
    """
    note_s = np.asarray(note_t_s, dtype=np.float64)
    begins_s = sounds.frame / sample_rate_hz
    usual = usual_flight(begins_s, note_s, LARGEST_DELAY_S).middle_s
    note, sound = match_times(note_s + usual, begins_s, JITTER_S, JITTER_S)
    sound_s = np.full(len(note_s), np.nan)
    sound_u = sound_s.copy()
    sound_s[note] = begins_s[sound]
    sound_u[note] = sounds.u_frames[sound] / sample_rate_hz
    return sound_s, sound_u


def sound_measures(
    strokes: pd.DataFrame, *, confidence: float = 0.95, stage: str = ""
) -> list[Measure]:
    """Return sound_latency_median, sound_delay_median and sound_delay_sd, in ms.

    The medians are widened by the timing uncertainty that all may share, at most the least of
    what each states. None where no stroke has a sound: without a recorded output there is nothing
    to tell.

    Parameters
    ----------
    strokes
        Stroke table. Used: valid strokes whose note has a sound.
    confidence, stage
        Of every interval; what the measures are labelled with.
    """
    chosen = contacts(strokes)
    chosen = chosen.narrowed(chosen.rows["outcome"].isin(NOTED), "no note")
    chosen = chosen.narrowed(np.isfinite(chosen.rows["sound_t_s"]), "no sound heard")
    if not len(chosen.rows):
        return []
    after_stroke = (chosen.rows["sound_t_s"] - chosen.rows["onset_t_s"]).to_numpy(dtype=float)
    after_note = (chosen.rows["sound_t_s"] - chosen.rows["note_t_s"]).to_numpy(dtype=float)
    u_sound, u_note, u_onset = (
        chosen.rows[name].to_numpy(dtype=float) for name in ("sound_u_s", "note_u_s", "onset_u_s")
    )
    u_note, u_stroke = np.hypot(u_sound, u_note), np.hypot(u_sound, u_onset)
    common: dict[str, Any] = {
        "scale": 1e3,
        "confidence": confidence,
        "count": len(chosen.rows),
        "rows": chosen.strokes,
        "excluded": chosen.excluded,
        "stage": stage,
    }
    to_sound = "From the stroke's onset to the beginning of the module's sound."
    from_note = "From the end of the note's last byte to the beginning of the sound."

    def median(values: Floats, u_s: Floats) -> Interval:
        found = interval.quantile(values, 0.5, confidence)
        return interval.with_systematic(found, interval.least(u_s), confidence)

    told = (
        ("latency_median", median(after_stroke, u_stroke), to_sound, u_stroke),
        ("delay_median", median(after_note, u_note), from_note, u_note),
        ("delay_sd", interval.sd(after_note, confidence), from_note, u_note),
    )
    return [
        measured(
            f"sound_{name}",
            "ms",
            figure,
            **common,
            note=words,
            details={"stated_u_us": 1e6 * float(np.median(u_s))},
        )
        for name, figure, words, u_s in told
    ]
