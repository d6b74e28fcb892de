"""What became of each stroke: clean, lost, double, no contact, or why it is no evidence."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.load import Recording
from analysis.match import LONGEST_LATENCY_S, NoteMatch
from analysis.timeline import TimeLine
from rig.record.limits import TICKS_PER_S

Ints = npt.NDArray[np.int64]

LONGEST_FLIGHT_S = 0.045


def tell_outcomes(
    recording: Recording,
    table: pd.DataFrame,
    notes: pd.DataFrame,
    matched: NoteMatch,
    struck: Ints,
    time_line: TimeLine | None,
) -> None:
    """Say of each stroke what became of it, or why it is no evidence.

    Parameters
    ----------
    recording
        The run.
    table
        Stroke table with its notes; ``outcome``, ``valid`` and ``excluded_because`` are added.
    notes, matched
        All notes, and how they were matched with the strokes.
    struck
        Ticks of each strike of the plan; -1 for one that never came.
    time_line
        None without one.
    """
    onset = table["onset_t_s"].to_numpy()
    strike = table["strike"].to_numpy()
    came = np.ones(len(table), dtype=bool)
    came[strike >= 0] = struck[strike[strike >= 0]] >= 0
    has_note = (matched.first >= 0) & np.isfinite(onset)
    outcome = np.select(
        [~np.isfinite(onset), ~has_note, table["doubles"].to_numpy() > 0],
        ["no_contact", "lost", "double"],
        "clean",
    ).astype(object)
    reason = np.full(len(table), "", dtype=object)
    begin = np.fmin(table["drive_t_s"].to_numpy(), onset)
    end = np.fmax(begin, onset) + LONGEST_LATENCY_S
    for first, count in recording.gaps:
        low, high = first / recording.sample_rate_hz, (first + count) / recording.sample_rate_hz
        reason[(begin <= high) & (end >= low)] = "audio was lost in its window"
    for low, high in time_line.unsure_s if time_line is not None else ():
        reason[(begin <= high) & (end >= low)] = "the markers about it don't fit: samples were lost"
    windows = recording.reader.audio.windows
    if windows is not None:
        # of a stroke that is found, enough was kept
        rate = recording.sample_rate_hz
        drive = np.nan_to_num(table["drive_t_s"].to_numpy(dtype=np.float64))
        due = np.array([drive, drive + LONGEST_FLIGHT_S]) * rate
        held = windows.holds(*due.astype(np.int64))
        reason[~held & (strike >= 0) & ~np.isfinite(onset)] = "the sound of its window was not kept"
    errors = recording.of_kind("din_error")
    if len(errors) and not np.isnan(matched.latency.middle_s) and "drive_t_s" in table:
        reason = _near_errors(recording, table, reason, errors)
    stray = notes.loc[notes["role"] == "stray", "note_t_s"].to_numpy(dtype=np.float64)
    for row in np.flatnonzero((outcome == "no_contact") & came):
        wanted = table["drive_t_s"].iloc[row] + 0.01 + matched.latency.middle_s
        if len(stray) and np.abs(stray - wanted).min() < 0.01:
            reason[row] = "a note came, but no onset was seen"
    late = begin + LONGEST_LATENCY_S + 0.02 > recording.duration_s
    reason[late & (outcome == "lost")] = "the recording ends in its window"
    if recording.imported and len(notes) == 0:
        reason[outcome == "lost"] = "no notes were recorded: nothing can be said of the module"
    done = recording.status == "complete"
    reason[~came] = f"never struck: the run {'was done without' if done else 'ended before'} it"
    bad = reason != ""
    outcome[bad] = "invalid"
    table["outcome"] = outcome.astype(str)
    table["valid"] = ~bad
    table["excluded_because"] = reason.astype(str)


def leave_out_unread(table: pd.DataFrame, unread_s: tuple[tuple[float, float], ...]) -> None:
    """Mark strokes in stretches in which their notes can't be read: they say nothing of the module.

    ``table`` is changed in place; ``unread_s`` are (begin, end).
    """
    begin = np.fmin(table["drive_t_s"].to_numpy(), table["onset_t_s"].to_numpy())
    for low, high in unread_s:
        rows = (begin <= high) & (begin + LONGEST_LATENCY_S >= low) & table["valid"].to_numpy()
        table.loc[rows, "excluded_because"] = "after lost audio its MIDI bytes could not be read"
        table.loc[rows, "outcome"] = "invalid"
        table.loc[rows, "valid"] = False


def _near_errors(
    recording: Recording, table: pd.DataFrame, reason: Any, errors: pd.DataFrame
) -> Any:
    """Strokes without a clean note, near a byte that the board could not read."""
    ons = recording.of_kind("coil_on")
    ticks = ons["stamp_int"].to_numpy(dtype=np.int64)
    strikes = ons["strike"].to_numpy(dtype=np.int64)
    for stamp in errors["stamp_int"]:
        k = int(np.searchsorted(ticks, stamp)) - 1
        if k >= 0 and stamp - ticks[k] < TICKS_PER_S * (LONGEST_LATENCY_S + LONGEST_FLIGHT_S):
            rows = (table["strike"] == strikes[k]) & table["note_t_s"].isna()
            reason[rows.to_numpy()] = "a MIDI byte in its window could not be read"
    return reason
