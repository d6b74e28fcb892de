"""The stroke table: what was struck, what was felt, and what the module made of it."""

from __future__ import annotations

import contextlib
import dataclasses
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.budget import Budget, timing_budget
from analysis.contacts import Contacts, find_contacts
from analysis.headless import leave_out_headless, unreadable
from analysis.landings import alike_flights
from analysis.listen import Heard, listen
from analysis.load import Recording
from analysis.marker_fit import fit_markers
from analysis.match import NoteMatch, match_notes
from analysis.module_out import sounds_of_notes
from analysis.notes import collect_notes
from analysis.outcomes import leave_out_unread, tell_outcomes
from analysis.plan_fit import fit_onsets
from analysis.remarks import source_remarks, time_remarks
from analysis.source_difference import SourceDifference, source_difference
from analysis.timeline import TimeLine
from rig.record.bench_fault import BenchError
from rig.record.limits import TICKS_PER_US
from rig.record.plan import PLAN_COLUMNS

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

NEAR_LOST_S = 0.05
"""Notes so near to lost audio are no evidence on the sources of notes."""
CARRIED = [name for name in PLAN_COLUMNS if name != "time_us"]


@dataclasses.dataclass(frozen=True)
class StrokeTable:
    """Strokes and notes of a run, and what they rest on.

    Attributes
    ----------
    strokes, notes
        Columns as DEVELOPERS.md has them.
    time_line
        None for a run without strikes of a plan.
    budget
        Uncertainty budget of the latencies.
    facts
        Plain figures: duration_s, noise_dbfs, status, note_source, late_at_most_s (by which notes
        may be stamped late), counts of what was left out, flights, and sentences (``remarks``)
        that belong beside every result.
    differences
        Further sources of notes against the one that was used.
    """

    strokes: pd.DataFrame
    notes: pd.DataFrame
    time_line: TimeLine | None
    budget: Budget
    facts: dict[str, Any]
    differences: tuple[SourceDifference, ...] = ()


def build_strokes(recording: Recording) -> StrokeTable:
    """Make the stroke table of a run.

    Raises
    ------
    BenchError
        The markers can't be fitted: nothing measured could then be trusted.
    """
    heard = listen(recording)
    remarks = list(recording.faults)
    if not len(heard.onsets):
        remarks.append(
            "no stroke was found in the sensor's channel. Check that it is the right channel, and "
            "its level"
        )
    if heard.line_fault:
        remarks.append(heard.line_fault)
    struck = _struck(recording)
    time_line = _time_line(recording, heard, struck)
    drive_s = np.full(len(recording.strikes), np.nan)
    if time_line is not None:
        has = struck >= 0
        remarks += time_remarks(time_line, recording.sample_rate_hz)
        drive_s[has] = time_line.t_s(struck[has])
    best, *further = collect_notes(recording, time_line, heard.line)
    notes, source = best.notes, best.name
    further, unread = unreadable(further, source)
    remarks += unread
    differences = tuple(
        source_difference(
            _placed(notes, recording, time_line),
            _placed(other.notes, recording, time_line),
            (source, other.name),
            other.path,
        )
        for other in further
    )
    remarks += [best.path.remark] if best.path is not None else []
    remarks += source_remarks(differences)
    contacts = find_contacts(recording, heard, drive_s, time_line)
    table = _rows(recording, contacts, drive_s)
    known = table["onset_t_s"].to_numpy()
    own = notes["note"].to_numpy() == recording.struck_zone_note
    matched = _in_order(known, notes["note_t_s"].to_numpy(dtype=np.float64), own, table)
    if heard.sounds is not None:
        sound_s, sound_u_s = sounds_of_notes(
            notes["note_t_s"], heard.sounds, recording.sample_rate_hz
        )
        notes = notes.assign(sound_t_s=sound_s, sound_u_s=sound_u_s)
    else:
        notes = notes.assign(sound_t_s=np.nan, sound_u_s=np.nan)
    _fill_notes(table, notes, matched)
    notes = notes.assign(role=matched.role, stroke=matched.stroke)
    tell_outcomes(recording, table, notes, matched, struck, time_line)
    leave_out_unread(table, best.unread_s)
    remarks += leave_out_headless(table, best)
    if heard.finder.seconds is not None and heard.finder.seconds.remark:
        remarks.append(heard.finder.seconds.remark)
    inferred_count = int(np.isfinite(contacts.inferred_s).sum())
    if inferred_count:
        remarks.append(
            f"strikes that landed under the sound of the stroke before: {inferred_count}; onsets of "
            "these are taken from the impact pickup, or from the drive and the striker's usual flight"
        )
    facts = {
        "duration_s": recording.duration_s,
        "status": recording.status,
        "noise_dbfs": 20.0 * np.log10(max(heard.noise_rms, 1e-9)),
        "note_source": source,
        "left_out": best.counts,
        "flight_ms": {name: 1e3 * flight.middle_s for name, flight in contacts.flights.items()},
        "latency_ms": 1e3 * matched.latency.middle_s,
        "late_at_most_s": best.path.late_at_most_s if best.path is not None else 0.0,
        "inferred_onsets": inferred_count,
        "audio_gaps": len(recording.gaps),
        "remarks": remarks,
    }
    budget = timing_budget(
        table,
        time_line,
        recording.sample_rate_hz,
        source,
        best.path.parts if best.path is not None else None,
    )
    return StrokeTable(table, notes, time_line, budget, facts, differences)


def _placed(notes: pd.DataFrame, recording: Recording, line: TimeLine | None) -> pd.DataFrame:
    """Notes away from lost audio, about which neither clock is sure."""
    at_s = notes["note_t_s"].to_numpy(dtype=np.float64)
    lost = [
        (first / recording.sample_rate_hz, (first + count) / recording.sample_rate_hz)
        for first, count in recording.gaps
    ]
    good = np.ones(len(at_s), dtype=bool)
    for low, high in [*lost, *(line.unsure_s if line is not None else ())]:
        good &= (at_s < low - NEAR_LOST_S) | (at_s > high + NEAR_LOST_S)
    return notes[good]


def _struck(recording: Recording) -> Ints:
    """Ticks of each strike's coil pulse; -1 for one that never came."""
    rows = recording.of_kind("coil_on")
    ticks = np.full(len(recording.strikes), -1, dtype=np.int64)
    strike = rows["strike"].to_numpy(dtype=np.int64)
    good = (strike >= 0) & (strike < len(ticks))
    ticks[strike[good]] = rows["stamp_int"].to_numpy(dtype=np.int64)[good]
    if (ticks < 0).all() and len(ticks):
        begun = recording.of_kind("burst_begin")
        zero = dict(zip(begun["value"], begun["stamp_int"], strict=True))
        start = recording.strikes["burst"].map(zero)
        planned = start + recording.strikes["time_us"] * TICKS_PER_US
        ticks = np.where(start.notna(), planned.fillna(-1), -1).astype(np.int64)
    return ticks


def _time_line(recording: Recording, heard: Heard, struck: Ints) -> TimeLine | None:
    sent, codes = recording.markers_sent()
    if len(sent) and recording.imported:
        # whose marker has which width isn't known of a recording from outside
        with contextlib.suppress(BenchError):
            return fit_markers(heard.edges.frame, sent, recording.sample_rate_hz)
    elif len(sent):
        return fit_markers(
            heard.edges.frame,
            sent,
            recording.sample_rate_hz,
            heard.edges.code,
            codes,
            recording.gaps,
        )
    if (struck >= 0).any():
        came = struck >= 0
        alike = alike_flights(recording.strikes).to_numpy()[came]
        return fit_onsets(heard.onsets.frame / recording.sample_rate_hz, struck[came], alike)
    return None


def _rows(recording: Recording, contacts: Contacts, drive_s: Floats) -> pd.DataFrame:
    """One row a strike, and one an onset that no strike explains, in order of time."""
    rate = recording.sample_rate_hz
    strikes = recording.strikes.reset_index(drop=True)
    onsets, onset_of = contacts.onsets, contacts.onset_of
    spare = np.setdiff1d(np.arange(len(onsets)), onset_of)
    blank: dict[str, Any] = {"int64": -1, "str": "", "float64": np.nan}
    others = pd.DataFrame(
        {name: pd.Series([blank[PLAN_COLUMNS[name]]] * len(spare), dtype=PLAN_COLUMNS[name])
         for name in CARRIED}
    )  # fmt: skip
    table = pd.concat([strikes[CARRIED], others], ignore_index=True)
    place = np.concatenate([onset_of, spare])
    has = place >= 0

    def of_onset(values: npt.NDArray[Any]) -> Floats:
        out = np.full(len(place), np.nan)
        out[has] = values[place[has]]
        return out

    table["drive_t_s"] = np.concatenate([drive_s, np.full(len(spare), np.nan)])
    table["onset_t_s"] = of_onset(onsets.frame / rate)
    table["onset_u_s"] = of_onset(onsets.u_frames / rate)
    table["peak_dbfs"] = of_onset(20 * np.log10(np.maximum(onsets.peak, 1e-12)))
    table["snr_db"] = of_onset(onsets.snr_db)
    table["peak_after_ms"] = of_onset((onsets.peak_frame - onsets.frame) / rate * 1e3)
    table["clipped"] = of_onset(onsets.clipped.astype(float)) == 1.0
    guessed = np.concatenate([contacts.inferred_s, np.full(len(spare), np.nan)])
    rows = np.isfinite(guessed)
    table.loc[rows, "onset_t_s"] = guessed[rows]
    guessed_u = np.concatenate([contacts.inferred_u_s, np.full(len(spare), np.nan)])
    table.loc[rows, "onset_u_s"] = guessed_u[rows]
    when = table["onset_t_s"].fillna(table["drive_t_s"])
    table = table.iloc[np.argsort(when.to_numpy(), kind="stable")].reset_index(drop=True)
    table.insert(0, "stroke", np.arange(len(table)))
    return table


def _in_order(onset_s: Floats, note_s: Floats, own: Any, table: pd.DataFrame) -> NoteMatch:
    """Match with onsets in order of time (rows without one may stand anywhere)."""
    planned = (table["strike"] >= 0).to_numpy()
    unplanned = ~planned if planned.any() else np.zeros(len(table), dtype=bool)
    return match_notes(onset_s, note_s, own, unplanned)


def _fill_notes(table: pd.DataFrame, notes: pd.DataFrame, matched: NoteMatch) -> None:
    has = matched.first >= 0
    place = matched.first[has]
    for name in ("note_t_s", "note_u_s", "wire_s", "sound_t_s", "sound_u_s"):
        column = np.full(len(table), np.nan)
        column[has] = notes[name].to_numpy(dtype=np.float64)[place]
        table[name] = column
    for name in ("note", "velocity"):
        whole = np.full(len(table), -1, dtype=np.int64)
        whole[has] = notes[name].to_numpy(dtype=np.int64)[place]
        table[name] = whole
    sources = np.full(len(table), "", dtype=object)
    sources[has] = notes["source"].to_numpy()[place]
    table["note_source"] = sources.astype(str)
    table["latency_s"] = table["note_t_s"] - table["onset_t_s"]
    table["latency_u_s"] = np.hypot(table["note_u_s"], table["onset_u_s"])
    doubles = np.zeros(len(table), dtype=np.int64)
    delay = np.full(len(table), np.nan)
    for k in np.flatnonzero(matched.role == "double"):
        stroke = matched.stroke[k]
        if doubles[stroke] == 0:
            delay[stroke] = notes["note_t_s"].iloc[k] - table["note_t_s"].iloc[stroke]
        doubles[stroke] += 1
    table["doubles"] = doubles
    table["double_delay_s"] = delay
