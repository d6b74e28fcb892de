"""Notes of a run from whichever source it has, on the time line of the audio clock."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.budget import BYTE_U_US, START_BIT_U_US, TICK_U_US, UNIFORM
from analysis.din_bytes import DinBytes
from analysis.host_path import HostPath, host_path
from analysis.load import Recording
from analysis.timeline import WANDER, TimeLine
from rig.record.bench_fault import BenchError
from rig.record.limits import TICKS_PER_S, TICKS_PER_US
from rig.record.midi_bytes import BYTE_US, MidiNotes, parse_notes

Floats = npt.NDArray[np.float64]

COLUMNS = ["note_t_s", "note_u_s", "wire_s", "note", "velocity", "zone", "source"]
OTHER_ZONE = "other"
"""Zone of a note that the specimen file doesn't name."""
LEAST_EXCHANGES = 2
GROUP_NS = 1_000_000_000
"""Exchanges less than this apart are one group."""
DRIFT = 200e-6
"""Two crystals of ±100 ppm drift apart by at most this (common practice, no source)."""


@dataclasses.dataclass(frozen=True)
class NoteSource:
    """Note-ons as one source has them.

    Attributes
    ----------
    name
        ``board_din``, ``din_line``, ``import``, ``host``, or ``none``.
    notes
        Columns ``COLUMNS``, in order of ``note_t_s``, the module's channel only.
    counts
        What was left out: orphan_bytes, cut_short, sysex_bytes, other_channel.
    unread_s
        Stretches (begin, end) of the audio clock in which notes may stand that can't be read.
    headless, headless_s
        Data bytes before any status byte, and the stretch (begin, end) in which they came.
    path
        Of ``host``: the way into the computer, whose delay is taken off, as far as it is known.
    """

    name: str
    notes: pd.DataFrame
    counts: dict[str, int]
    unread_s: tuple[tuple[float, float], ...] = ()
    headless: int = 0
    headless_s: tuple[float, float] = (math.nan, math.inf)
    path: HostPath | None = None


def collect_notes(
    recording: Recording, time_line: TimeLine | None, line: DinBytes | None
) -> list[NoteSource]:
    """Give the note-ons of each source of a run, the best source first.

    Sources in order of preference: bytes stamped by the board, a recorded DIN line, messages on
    the audio clock, messages of a host port. At least one is given: ``none``, without notes.

    Parameters
    ----------
    recording
        The run.
    time_line
        Ticks to seconds; None without a board.
    line
        Bytes read from a recorded DIN line, if there is one.

    Raises
    ------
    BenchError
        The host alone stamped notes, and too few exchanges tie its clock to the board's.
    """
    din = recording.of_kind("din_byte")
    messages = recording.of_kind("midi_message")
    host = recording.of_kind("midi_in")
    before = recording.reader.specimen.module.status_before
    found: list[NoteSource] = []
    # the board hands its bytes over whether or not something was plugged in to its input
    if len(din) and time_line is not None and "board_din" in recording.sources:
        notes = parse_notes(din["value"], din["stamp_int"], BYTE_US * TICKS_PER_US, before)
        t_s = time_line.t_s(notes.end)
        u_s = np.hypot(
            time_line.u_s(notes.end), 1e-6 * math.hypot(TICK_U_US, START_BIT_U_US, BYTE_U_US)
        )
        source = _source(recording, notes, t_s, u_s, "board_din")
        found.append(_with_headless(source, notes, time_line.t_s))
    if line is not None and len(line):
        line, unread = _around_gaps(recording, line)
        notes = parse_notes(line.values, line.start_frames, status=before)
        t_s = line.end_frames[notes.last_byte] / recording.sample_rate_hz
        u_s = line.u_frames[notes.last_byte] / recording.sample_rate_hz
        source = _source(recording, notes, t_s, u_s, "din_line")
        source = dataclasses.replace(source, unread_s=unread)
        found.append(_with_headless(source, notes, lambda frame: frame / recording.sample_rate_hz))
    if len(messages):
        notes, row = _parsed(messages["data"], messages["stamp"].to_numpy(dtype=np.float64), before)
        bound_s = np.maximum(messages["bound_ns"].to_numpy(dtype=np.float64)[row], 0.0) * 1e-9
        u_s = np.hypot(bound_s / UNIFORM, 0.5 / recording.sample_rate_hz)
        t_s = notes.end / recording.sample_rate_hz
        source = _source(recording, notes, t_s, u_s, "import")
        found.append(_with_headless(source, notes, lambda frame: frame / recording.sample_rate_hz))
    if len(host) and time_line is not None:
        notes, _ = _parsed(host["data"], host["stamp_int"].to_numpy(dtype=np.float64))
        pairs = recording.of_kind("clock_pair")
        if len(pairs) >= LEAST_EXCHANGES:
            ticks, bound_s = host_to_ticks(pairs, notes.end)
            path = host_path(recording.midi, recording.reader.start.created_utc[:10])
            u_s = np.sqrt(time_line.u_s(ticks) ** 2 + bound_s**2 / 3.0 + path.u_s**2)
            source = _source(recording, notes, time_line.t_s(ticks) - path.delay_s, u_s, "host")
            found.append(dataclasses.replace(source, path=path))
        elif not found:
            raise BenchError(
                f"{recording.path}: notes are stamped by the host, but only {len(pairs)} exchanges "
                f"tie its clock to the board's; at least {LEAST_EXCHANGES} are needed. Record "
                "notes by the board's DIN input, or again with the board connected all through"
            )
    nothing = pd.DataFrame({name: [] for name in COLUMNS})
    # one that can't be read at all stands behind one that can
    found.sort(key=lambda one: one.headless > 0 and not len(one.notes))
    return found or [NoteSource("none", nothing, {})]


def _with_headless(source: NoteSource, notes: MidiNotes, t_s: Callable[[float], Any]) -> NoteSource:
    """Add where bytes came before any status; ``t_s`` turns stamps into seconds."""
    low, high = (
        float(t_s(at)) if math.isfinite(at) else at
        for at in (notes.headless_from, notes.headless_to)
    )
    return dataclasses.replace(source, headless=notes.headless, headless_s=(low, high))


def _around_gaps(
    recording: Recording, line: DinBytes
) -> tuple[DinBytes, tuple[tuple[float, float], ...]]:
    """Leave out bytes that touch a gap of the audio, and take up the running status after each.

    A status that was sent in the gap is not known. Where a note number of the module and a second
    byte follow back to back, the status before the gap still holds; else nothing can be read up
    to the next status, and the stretch is given.
    """
    rate_hz = recording.sample_rate_hz
    byte_frames = BYTE_US * 1e-6 * rate_hz
    unread: list[tuple[float, float]] = []
    for first, count in sorted(recording.gaps.tolist()):
        low, high = first - byte_frames, first + count + byte_frames
        line = line.taken(~((line.end_frames > low) & (line.start_frames < high)))
        place = int(np.searchsorted(line.start_frames, high))
        before, after = line.values[:place], line.values[place:]
        status = [int(value) for value in before[(before >= 0x80) & (before < 0xF8)][-1:]]
        if not status and recording.reader.specimen.module.running_status_from_before:
            status = [recording.reader.specimen.module.status_before]
        note_on = 0x90 | (recording.midi_channel - 1)
        starts = line.start_frames[place : place + 2]
        goes_on = (
            status == [note_on]
            and len(after) >= 2
            and int(after[0]) in recording.zones
            and after[1] < 0x80
            and starts[1] - starts[0] < 1.5 * byte_frames
        )
        told = [0xF7, note_on] if goes_on else [0xF7]
        line = line.inserted(place, told, high - byte_frames)
        if not goes_on:
            known = np.flatnonzero((after >= 0x80) & (after < 0xF8))
            until = line.start_frames[place + 1 + known[0]] if len(known) else recording.frame_count
            if len(after) and not (len(known) and known[0] == 0):
                unread.append((first / rate_hz, float(until) / rate_hz))
    return line, tuple(unread)


def _parsed(
    data: pd.Series, stamps: Floats, status: int = -1
) -> tuple[MidiNotes, npt.NDArray[np.int64]]:
    """Notes of whole messages, and the row of each."""
    pieces = [bytes.fromhex(text) for text in data]
    row = np.repeat(np.arange(len(pieces)), [len(piece) for piece in pieces])
    notes = parse_notes(np.frombuffer(b"".join(pieces), dtype=np.uint8), stamps[row], status=status)
    return notes, row[notes.last_byte]


def host_to_ticks(pairs: pd.DataFrame, host_ns: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Ticks at host times, and the bound (s) within which each holds.

    Of each group of exchanges the one with the lowest delay counts (RFC 5905, section 8: an
    offset is sure to half the round trip); between groups a straight line is taken, and the bound
    with it.

    Parameters
    ----------
    pairs
        Events ``clock_pair``, one at the least.
    host_ns
        (n,) host times.

    Returns
    -------
    ticks, bound_s
        (n,) each. A bound is never below those of the exchanges about it, hence never below half
        of their round trips.
    """
    pairs = pairs.sort_values("stamp_int", kind="stable")
    stamp = pairs["stamp_int"].to_numpy(dtype=np.int64)
    group = np.cumsum(np.diff(stamp, prepend=stamp[0]) > GROUP_NS)
    bound_ns = pairs["bound_ns"].to_numpy(dtype=np.int64)
    order = np.lexsort((bound_ns, group))
    best = order[np.unique(group[order], return_index=True)[1]]
    x = (stamp[best] - stamp[best[0]]).astype(np.float64)
    ticks = pairs["ticks"].to_numpy(dtype=np.int64)[best]
    y = (ticks - ticks[0]).astype(np.float64)
    bound_s = bound_ns[best] * 1e-9
    nominal = TICKS_PER_S * 1e-9
    at = np.asarray(host_ns, dtype=np.float64) - stamp[best[0]]
    inside = np.clip(at, x[0], x[-1])
    outside_s = np.abs(at - inside) * 1e-9
    place = np.clip(np.searchsorted(x, inside), 1, max(len(x) - 1, 1))
    near_s = 1e-9 * np.minimum(
        np.abs(x[np.minimum(place, len(x) - 1)] - inside), np.abs(x[place - 1] - inside)
    )
    rate = (y[-1] - y[0]) / (x[-1] - x[0]) if len(x) > 1 else nominal
    there = np.interp(inside, x, y) + rate * (at - inside)
    return ticks[0] + there, np.interp(inside, x, bound_s) + WANDER * near_s + DRIFT * outside_s


def _source(
    recording: Recording, notes: MidiNotes, t_s: Floats, u_s: Floats, source: str
) -> NoteSource:
    mine = notes.channel == recording.midi_channel
    counts = {
        "orphan_bytes": notes.orphans,
        "cut_short": notes.cut_short,
        "sysex_bytes": notes.sysex_bytes,
        "other_channel": int((notes.on & ~mine).sum()),
    }
    keep = notes.on & mine
    table = pd.DataFrame(
        {
            "note_t_s": t_s[keep],
            "note_u_s": u_s[keep],
            "wire_s": notes.wire_s[keep],
            "note": notes.note[keep],
            "velocity": notes.velocity[keep],
            "zone": [recording.zones.get(int(n), OTHER_ZONE) for n in notes.note[keep]],
            "source": source,
        }
    )
    table = table.sort_values("note_t_s", kind="stable", ignore_index=True)
    return NoteSource(source, table, counts)
