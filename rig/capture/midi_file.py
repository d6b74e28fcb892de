"""Standard MIDI files: checked byte by byte, so that nothing is guessed, then read by mido."""

from __future__ import annotations

import dataclasses
import io
from collections.abc import Iterator

import mido

_DATA_BYTES = {0x80: 2, 0x90: 2, 0xA0: 2, 0xB0: 2, 0xC0: 1, 0xD0: 1, 0xE0: 2}
_META, _TEMPO, _SYSEX = 0xFF, 0x51, (0xF0, 0xF7)
_REAL_TIME = range(0xF8, 0xFF)
_DROP_FRAME = 29
"""Stands for 30000/1001 frames a second (SMPTE time code, as the standard MIDI file has it)."""


class BadMidiError(Exception):
    """What is the matter with a MIDI file, as half a sentence."""


@dataclasses.dataclass(frozen=True)
class MidiFile:
    """Channel messages of all tracks in order of time.

    Attributes
    ----------
    time_s
        From the first tick.
    data
        Bytes of each message.
    tick_s
        Longest step between two ticks.
    real_time
        Real-time bytes that stood in the tracks, where they have no place; left out.
    """

    time_s: tuple[float, ...]
    data: tuple[bytes, ...]
    tick_s: float
    real_time: int


def read_midi_file(content: bytes) -> MidiFile:
    """Read a standard MIDI file of format 0 or 1.

    Raises
    ------
    BadMidiError
        It isn't one, is cut, or holds bytes that belong to no message.
    """
    if not content.startswith(b"MThd"):
        raise BadMidiError("it does not begin with MThd")
    if len(content) < 14:
        raise BadMidiError("it ends in its header")
    kind, division = int.from_bytes(content[8:10], "big"), int.from_bytes(content[12:14], "big")
    if kind not in (0, 1):
        raise BadMidiError(
            f"format {kind} found; its tracks share no time. Formats 0 and 1 can be read"
        )
    frames_per_s, ticks = 0x100 - (division >> 8), division & 0xFF
    in_beats = division < 0x8000
    if (division if in_beats else ticks) == 0:
        raise BadMidiError("its header says 0 ticks to a beat or frame, so nothing has a time")
    tracks = [_clean(content, *span) for span in _track_spans(content)]
    if not tracks:
        raise BadMidiError("it holds no track")
    head = b"MThd" + (6).to_bytes(4, "big") + kind.to_bytes(2, "big")
    # the beat is mido's: of frames, a tick is counted as one of a beat, and turned into s below
    head += len(tracks).to_bytes(2, "big") + (division if in_beats else 480).to_bytes(2, "big")
    whole = head + b"".join(b"MTrk" + len(t).to_bytes(4, "big") + t for t, _ in tracks)
    file = mido.MidiFile(file=io.BytesIO(whole))
    tempo_us, now_s, longest_s = 500_000, 0.0, 0.0
    rate = 30_000 / 1001 if frames_per_s == _DROP_FRAME else float(frames_per_s)
    found: list[tuple[float, bytes]] = []
    for message in mido.merge_tracks(file.tracks):
        tick_s = tempo_us * 1e-6 / division if in_beats else 1.0 / (rate * ticks)
        now_s += message.time * tick_s
        longest_s = max(longest_s, tick_s)
        if message.type == "set_tempo":
            tempo_us = message.tempo
        elif not message.is_meta:
            found.append((now_s, bytes(message.bytes())))
    times, data = tuple(at for at, _ in found), tuple(one for _, one in found)
    return MidiFile(times, data, longest_s, sum(dropped for _, dropped in tracks))


def _track_spans(content: bytes) -> Iterator[tuple[int, int]]:
    at = 8 + int.from_bytes(content[4:8], "big")
    while at + 8 <= len(content):
        size = int.from_bytes(content[at + 4 : at + 8], "big")
        if content[at : at + 4] == b"MTrk":
            if at + 8 + size > len(content):
                raise BadMidiError(
                    f"it is cut: a track of {size} bytes begins at byte {at}, "
                    f"{len(content) - at - 8} of them are there"
                )
            yield at + 8, at + 8 + size
        at += 8 + size


def _clean(content: bytes, begin: int, end: int) -> tuple[bytes, int]:
    """Check a track; give its messages and tempos, and how many real-time bytes it held."""
    out = bytearray()
    at, waited, running, dropped = begin, 0, 0, 0

    def byte() -> int:
        nonlocal at
        if at >= end:
            raise BadMidiError(f"its track ends at byte {end} in the middle of an event")
        at += 1
        return content[at - 1]

    def number() -> int:
        value = 0
        for _ in range(4):
            one = byte()
            value = value << 7 | one & 0x7F
            if one < 0x80:
                return value
        raise BadMidiError(f"a number at byte {at} is longer than 4 bytes")

    while at < end:
        waited += number()
        status = byte()
        if status in _REAL_TIME:
            dropped += 1
            continue
        event = bytearray()
        if status == _META or status in _SYSEX:
            what = byte() if status == _META else -1
            body = bytes(byte() for _ in range(number()))
            if status != _META:
                running = 0
            if what != _TEMPO:
                continue  # nothing else in it has to do with time
            if len(body) != 3 or not any(body):
                raise BadMidiError(f"the tempo before byte {at} is none: {body.hex() or 'empty'}")
            event += bytes((status, what, len(body))) + body
        elif status >= 0xF0:
            raise BadMidiError(f"byte {status:02X} at byte {at - 1} has no place in a file")
        else:
            if status >= 0x80:
                running = status
            else:
                at -= 1
            if not running:
                raise BadMidiError(
                    f"data at byte {at} that belongs to no message: no status stands before it"
                )
            event.append(running)
            while len(event) <= _DATA_BYTES[running & 0xF0]:
                one = byte()
                if one in _REAL_TIME:
                    dropped += 1
                elif one >= 0x80:
                    raise BadMidiError(
                        f"{one:02X} found at byte {at - 1}, in the middle of a message, where a "
                        "data byte is due (00 to 7F)"
                    )
                else:
                    event.append(one)
        out += _number(waited) + event
        waited = 0
    return bytes(out), dropped


def _number(value: int) -> bytes:
    """Give a number as MIDI files have it: 7 bits a byte, the last without the top bit."""
    found = [value & 0x7F]
    while value := value >> 7:
        found.append(value & 0x7F | 0x80)
    return bytes(reversed(found))
