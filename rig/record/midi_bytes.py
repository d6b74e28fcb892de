"""MIDI bytes with stamps -> note messages. Pure: no port is touched."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import numpy.typing as npt

BYTE_US = 320.0
"""A byte on a DIN line: 1 start, 8 data and 1 stop bit at 31,250 baud (MIDI 1.0, hardware)."""

_NOTE_OFF, _NOTE_ON, _SYSEX, _REAL_TIME = 0x80, 0x90, 0xF0, 0xF8
_DATA_BYTES = {0x80: 2, 0x90: 2, 0xA0: 2, 0xB0: 2, 0xC0: 1, 0xD0: 1, 0xE0: 2}
_COMMON_DATA_BYTES = {0xF1: 1, 0xF2: 2, 0xF3: 1}


@dataclasses.dataclass(frozen=True)
class MidiNotes:
    """Note messages in order of their last byte (arrays of length n), and what was left out.

    Attributes
    ----------
    on
        Note-on with a velocity above 0. A note-on with velocity 0 is a note-off (MIDI 1.0).
    channel
        1 to 16.
    note, velocity
        0 to 127.
    start, end
        Stamp of its first byte's start, and of its last byte's end, in the unit of the stamps.
    byte_count
        Its bytes on the wire: 3, or 2 under running status. Real-time bytes in it don't count.
    first_byte, last_byte
        Places of those bytes in the input.
    orphans
        Data bytes that belong to no message (no status before them, or a message cut short).
    sysex_bytes
        Bytes of system-exclusive messages, which are skipped.
    cut_short
        Messages whose last bytes are missing.
    headless, headless_from, headless_to
        Of the orphans those that came before any status byte, which a status sent earlier would
        explain; stamp of the first of them (NaN: none), and of the first status (inf: none).
    """

    on: npt.NDArray[np.bool_]
    channel: npt.NDArray[np.int64]
    note: npt.NDArray[np.int64]
    velocity: npt.NDArray[np.int64]
    start: npt.NDArray[np.float64]
    end: npt.NDArray[np.float64]
    byte_count: npt.NDArray[np.int64]
    first_byte: npt.NDArray[np.int64]
    last_byte: npt.NDArray[np.int64]
    orphans: int = 0
    sysex_bytes: int = 0
    cut_short: int = 0
    headless: int = 0
    headless_from: float = math.nan
    headless_to: float = math.inf

    def __len__(self) -> int:
        return len(self.note)

    @property
    def wire_s(self) -> npt.NDArray[np.float64]:
        """Time on a DIN line, s."""
        return np.asarray(self.byte_count * (BYTE_US * 1e-6), dtype=np.float64)


def parse_notes(
    values: npt.ArrayLike, starts: npt.ArrayLike, byte_time: float = 0.0, status: int = -1
) -> MidiNotes:
    """Find the note messages in a stream of bytes.

    Running status holds through real-time bytes (F8 to FF), which may stand inside a message, and
    is ended by system-common and system-exclusive ones (MIDI 1.0).

    Parameters
    ----------
    values
        (n,) bytes, 0 to 255.
    starts
        (n,) stamps of their start bits, in any unit; not decreasing.
    byte_time
        From start bit to end of byte in the unit of the stamps; 0 where the stamps are of the end.
    status
        Channel status that is in force before the first byte; -1: none is known.

    Returns
    -------
    MidiNotes
        Without rows when there are no bytes or no notes.

    Raises
    ------
    ValueError
        Lengths differ, or a value is no byte.
    """
    stream = np.asarray(values, dtype=np.int64).ravel()
    stamps = np.asarray(starts, dtype=np.float64).ravel()
    if len(stream) != len(stamps):
        raise ValueError(f"{len(stream)} bytes with {len(stamps)} stamps")
    if len(stream) and (stream.min() < 0 or stream.max() > 255):
        raise ValueError(f"values from {stream.min()} to {stream.max()}; bytes are 0 to 255")
    rows: list[tuple[int, int, int, int, int, int]] = []
    orphans = sysex_bytes = cut_short = 0
    first = data1 = -1  # place of the message's first byte; first data
    headless = have = spent = 0
    headless_at = first_status = -1
    wanted = _DATA_BYTES.get(status & 0xF0, 0) if status >= 0 else 0
    in_sysex = False
    for place, value in enumerate(stream.tolist()):
        if value >= _REAL_TIME:
            continue
        if value >= 0x80:
            first_status = place if first_status < 0 else first_status
            if have or (spent and not in_sysex):
                cut_short += 1
                orphans += have
            have, spent = 0, 0
            in_sysex = value == _SYSEX
            if value >= _SYSEX:
                sysex_bytes += in_sysex or (value == 0xF7)
                wanted = _COMMON_DATA_BYTES.get(value, 0)
                status = value if wanted else -1
            else:
                status, wanted = value, _DATA_BYTES[value & 0xF0]
            if wanted:
                first, spent = place, 1
            continue
        if in_sysex:
            sysex_bytes += 1
            continue
        if status < 0:
            orphans += 1
            if first_status < 0:
                headless_at = headless_at if headless else place
                headless += 1
            continue
        if not spent:
            first = place
        spent += 1
        have += 1
        if have < wanted:
            data1 = value
            continue
        if status & 0xF0 in (_NOTE_OFF, _NOTE_ON):
            rows.append((status, data1, value, spent, first, place))
        have, spent = 0, 0
        if status >= _SYSEX:
            status = -1
    if spent:
        cut_short += 1
        orphans += have
    table = np.array(rows, dtype=np.int64).reshape(-1, 6)
    statuses, notes, velocities, counts, firsts, lasts = table.T
    return MidiNotes(
        on=((statuses & 0xF0) == _NOTE_ON) & (velocities > 0),
        channel=(statuses & 0x0F) + 1,
        note=notes,
        velocity=velocities,
        start=stamps[firsts],
        end=stamps[lasts] + byte_time,
        byte_count=counts,
        first_byte=firsts,
        last_byte=lasts,
        orphans=orphans,
        sysex_bytes=sysex_bytes,
        cut_short=cut_short,
        headless=headless,
        headless_from=float(stamps[headless_at]) if headless else math.nan,
        headless_to=float(stamps[first_status]) if first_status >= 0 else math.inf,
    )
