"""Notes of a run from whichever source it has, on the time line of the audio clock."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.budget import BYTE_U_US, START_BIT_U_US, TICK_U_US, UNIFORM, USB_FRAME_U_US
from analysis.din_bytes import DinBytes
from analysis.load import Recording
from analysis.timeline import TimeLine
from rig.record.bench_fault import BenchError
from rig.record.limits import TICKS_PER_S, TICKS_PER_US
from rig.record.midi_bytes import BYTE_US, MidiNotes, parse_notes

Floats = npt.NDArray[np.float64]

COLUMNS = ["note_t_s", "note_u_s", "wire_s", "note", "velocity", "zone", "source"]
OTHER_ZONE = "other"
"""Zone of a note that the specimen file doesn't name."""


def collect_notes(
    recording: Recording, time_line: TimeLine | None, line: DinBytes | None
) -> tuple[pd.DataFrame, str, dict[str, int]]:
    """Give the note-ons of a run's best source.

    Sources in order of preference: bytes stamped by the board, a recorded DIN line, messages on
    the audio clock, messages of a host port.

    Parameters
    ----------
    recording
        The run.
    time_line
        Ticks to seconds; None without a board.
    line
        Bytes read from a recorded DIN line, if there is one.

    Returns
    -------
    notes
        Columns ``COLUMNS``, in order of ``note_t_s``, the module's channel only.
    source
        ``board_din``, ``din_line``, ``import``, ``host``, or ``none``.
    counts
        What was left out: orphan_bytes, cut_short, sysex_bytes, other_channel.
    """
    din = recording.of_kind("din_byte")
    messages = recording.of_kind("midi_message")
    host = recording.of_kind("midi_in")
    # the board hands its bytes over whether or not something was plugged in to its input
    if len(din) and time_line is not None and "board_din" in recording.sources:
        notes = parse_notes(din["value"], din["stamp_int"], BYTE_US * TICKS_PER_US)
        t_s = time_line.t_s(notes.end)
        u_s = np.hypot(
            time_line.u_s(notes.end), 1e-6 * math.hypot(TICK_U_US, START_BIT_U_US, BYTE_U_US)
        )
        return _table(recording, notes, t_s, u_s, "board_din")
    if line is not None and len(line):
        notes = parse_notes(line.values, line.start_frames)
        t_s = line.end_frames[notes.last_byte] / recording.sample_rate_hz
        u_s = line.u_frames[notes.last_byte] / recording.sample_rate_hz
        return _table(recording, notes, t_s, u_s, "din_line")
    if len(messages):
        notes, row = _parsed(messages["data"], messages["stamp"].to_numpy(dtype=np.float64))
        bound_s = np.maximum(messages["bound_ns"].to_numpy(dtype=np.float64)[row], 0.0) * 1e-9
        u_s = np.hypot(bound_s / UNIFORM, 0.5 / recording.sample_rate_hz)
        return _table(recording, notes, notes.end / recording.sample_rate_hz, u_s, "import")
    if len(host) and time_line is not None:
        notes, _ = _parsed(host["data"], host["stamp_int"].to_numpy(dtype=np.float64))
        ticks, bound_s = _host_to_ticks(recording, notes.end)
        u_s = np.sqrt(time_line.u_s(ticks) ** 2 + bound_s**2 / 3.0 + (USB_FRAME_U_US * 1e-6) ** 2)
        return _table(recording, notes, time_line.t_s(ticks), u_s, "host")
    return pd.DataFrame({name: [] for name in COLUMNS}), "none", {}


def _parsed(data: pd.Series, stamps: Floats) -> tuple[MidiNotes, npt.NDArray[np.int64]]:
    """Notes of whole messages, and the row of each."""
    pieces = [bytes.fromhex(text) for text in data]
    row = np.repeat(np.arange(len(pieces)), [len(piece) for piece in pieces])
    notes = parse_notes(np.frombuffer(b"".join(pieces), dtype=np.uint8), stamps[row])
    return notes, row[notes.last_byte]


def _host_to_ticks(recording: Recording, host_ns: Floats) -> tuple[Floats, float]:
    """Ticks at host times, and the bound (s) within which that holds."""
    pairs = recording.of_kind("clock_pair")
    if len(pairs) < 2:
        raise BenchError(
            f"{recording.path}: notes are stamped by the host, but only {len(pairs)} exchanges "
            "tie its clock to the board's; at least 2 are needed. Record notes by the board's DIN "
            "input, or again with the board connected all through"
        )
    bound_ns = pairs["bound_ns"].to_numpy(dtype=np.float64)
    best = pairs[bound_ns <= np.quantile(bound_ns, 0.5)]
    x = best["stamp_int"].to_numpy(dtype=np.int64)
    y = best["ticks"].to_numpy(dtype=np.int64)
    x0, y0 = x[0], y[0]
    slope = TICKS_PER_S * 1e-9
    if np.ptp(x) > 0:
        slope = float(np.polyfit((x - x0).astype(float), (y - y0).astype(float), 1)[0])
    offset = float(np.median((y - y0) - slope * (x - x0)))
    return y0 + offset + slope * (host_ns - x0), float(np.median(bound_ns[bound_ns >= 0])) * 1e-9


def _table(
    recording: Recording, notes: MidiNotes, t_s: Floats, u_s: Floats, source: str
) -> tuple[pd.DataFrame, str, dict[str, int]]:
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
    return table.sort_values("note_t_s", kind="stable", ignore_index=True), source, counts
