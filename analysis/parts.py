"""A run that was continued, as one: strokes and notes of all its parts on one line of time."""

from __future__ import annotations

import dataclasses
import datetime
import itertools
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.load import Recording
from analysis.source_difference import join_differences
from analysis.strokes import StrokeTable
from rig.record.parts import burst_owners

_TIMES = ("drive_t_s", "onset_t_s", "note_t_s", "sound_t_s")
_PAUSE_S = 1.0
"""Least time from part to part, should the computer's clock have been set back."""


class JoinedAudio:
    """Recordings of the parts, each at its place on the line of time; read by ``window`` alone."""

    def __init__(self, recordings: Sequence[Recording], begins: Sequence[int]) -> None:
        self._readers = [recording.reader.audio for recording in recordings]
        self._begins = list(begins)
        first = self._readers[0]
        self.sample_rate_hz, self.roles = first.sample_rate_hz, first.roles
        self.channel_count = first.channel_count
        self.frame_count = self._begins[-1] + self._readers[-1].frame_count

    def window(self, first: int, count: int) -> npt.NDArray[np.float32]:
        """Samples from frame ``first`` on, of the part in which that lies."""
        place = max(int(np.searchsorted(self._begins, first, side="right")) - 1, 0)
        return self._readers[place].window(first - self._begins[place], count)


def begins_frames(recordings: Sequence[Recording]) -> list[int]:
    """Frame at which each part begins, by the times of day at which they were made."""
    begins = [0]
    times = [datetime.datetime.fromisoformat(one.reader.start.created_utc) for one in recordings]
    for (before, after), recording in zip(itertools.pairwise(times), recordings[:-1], strict=True):
        rate = recording.sample_rate_hz
        passed = max(
            round((after - before).total_seconds() * rate),
            recording.frame_count + round(_PAUSE_S * rate),
        )
        begins.append(begins[-1] + passed)
    return begins


def join_tables(
    recordings: Sequence[Recording], tables: Sequence[StrokeTable], begins: Sequence[int]
) -> StrokeTable:
    """Give the strokes of all parts as one table.

    Each burst is taken from the last part that began it: what was struck of it before, when the
    part broke off, is left out, with its notes. Bursts that no part began stay, as never struck.

    Parameters
    ----------
    recordings, tables
        Of the parts, in order.
    begins
        From ``begins_frames``.
    """
    owners = burst_owners([recording.reader for recording in recordings])
    strokes: list[pd.DataFrame] = []
    notes: list[pd.DataFrame] = []
    remarks: list[str] = []
    count = left_out = 0
    last = len(tables) - 1
    for place, (recording, table, begin) in enumerate(zip(recordings, tables, begins, strict=True)):
        rows = table.strokes
        own = rows["burst"].map(lambda burst: owners.get(burst, last)) == place
        # an onset that no strike explains belongs to the part that heard it
        kept = (own | (rows["strike"] < 0)).to_numpy()
        left_out += int((~kept & np.isfinite(rows["onset_t_s"].to_numpy(dtype=float))).sum())
        number = np.where(kept, count + np.cumsum(kept) - 1, -2)
        count += int(kept.sum())
        shift_s = begin / recording.sample_rate_hz
        strokes.append(_shifted(rows, shift_s).assign(stroke=number)[kept])
        heard = table.notes
        of = heard["stroke"].to_numpy(dtype=np.int64)
        stroke = np.where(of >= 0, number[np.maximum(of, 0)] if len(number) else -2, -1)
        notes.append(_shifted(heard, shift_s).assign(stroke=stroke)[stroke > -2])
        remarks += [f"{recording.path.name}: {one}" for one in table.facts["remarks"]]
        if place:
            gap_s = recording.reader.start.gap_s
            remarks.append(f"{recording.path.name} goes on after a gap of {gap_s:.0f} s")
    if left_out:
        remarks.append(
            f"{left_out} strokes of bursts that broke off are left out; they were struck again"
        )
    longest = max(tables, key=lambda table: np.nan_to_num(table.budget.combined_us))
    facts = {
        **tables[-1].facts,
        "duration_s": sum(recording.duration_s for recording in recordings),
        "late_at_most_s": max(table.facts["late_at_most_s"] for table in tables),
        "inferred_onsets": sum(table.facts["inferred_onsets"] for table in tables),
        "audio_gaps": sum(table.facts["audio_gaps"] for table in tables),
        "remarks": remarks,
    }
    return dataclasses.replace(
        tables[-1],
        strokes=pd.concat(strokes, ignore_index=True),
        notes=pd.concat(notes, ignore_index=True),
        time_line=tables[0].time_line,
        budget=longest.budget,
        facts=facts,
        differences=join_differences([one for table in tables for one in table.differences]),
    )


def _shifted(table: pd.DataFrame, shift_s: float) -> pd.DataFrame:
    return table.assign(**{name: table[name] + shift_s for name in _TIMES if name in table})
