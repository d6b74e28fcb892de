"""Frames made readable: a running trace for the person, and the last ones for the fault bundle."""

from __future__ import annotations

import collections
import enum
from typing import Literal, TextIO

from rig.link.frame import Frame
from rig.link.messages import BY_TYPE, BadBodyError, EventKind, Interlock, Refusal, State, Trip

KEPT_FRAMES = 64

_CODES: dict[str, type[enum.IntEnum]] = {"state": State, "trip_code": Trip, "refusal": Refusal}
"""Fields that hold codes of the table."""

Direction = Literal[">", "<"]


class Trace:
    """Keeps the last frames, and writes each to ``stream`` if there is one.

    Parameters
    ----------
    stream
        Where to write a line a frame (``--trace``); None for nowhere.
    """

    def __init__(self, stream: TextIO | None = None) -> None:
        self._stream = stream
        self._kept: collections.deque[tuple[Direction, float, Frame]] = collections.deque(
            maxlen=KEPT_FRAMES
        )

    def add(self, direction: Direction, host_s: float, frame: Frame) -> None:
        """Take one frame: ``>`` to the board, ``<`` from it."""
        self._kept.append((direction, host_s, frame))
        if self._stream is not None:
            print(line(direction, host_s, frame), file=self._stream)

    def last_lines(self) -> list[str]:
        """Decode the frames that are kept, oldest first."""
        return [line(*kept) for kept in self._kept]


def line(direction: Direction, host_s: float, frame: Frame) -> str:
    """One frame as text: host time, direction, sequence number, name, fields and records."""
    start = f"{host_s:14.6f} {direction} {frame.seq:3d}"
    row = BY_TYPE.get(frame.type_code)
    if row is None:
        return f"{start} type 0x{frame.type_code:02x} {frame.body.hex()}"
    try:
        fields, records = row.unpack(frame.body)
    except BadBodyError:
        return f"{start} {row.name} unreadable {frame.body.hex()}"
    words = [f"{name}={_text(name, value)}" for name, value in fields.items()]
    if row.name == "events":
        words += [_event(*record) for record in records]
    else:
        words += ["(" + " ".join(map(str, record)) + ")" for record in records]
    return " ".join([start, row.name, *words])


def _text(name: str, value: object) -> str:
    if isinstance(value, bytes):
        return value.decode("ascii", "backslashreplace").strip()
    return _named(_CODES[name], value) if name in _CODES and isinstance(value, int) else str(value)


def _named(codes: type[enum.IntEnum], value: int) -> str:
    """Name of a code; its number if the table has none."""
    try:
        return codes(value).name.lower()
    except ValueError:
        return str(value)


def _event(kind: int, value: int, stamp: bytes) -> str:
    """``kind:value@ticks``, the value by name where it has one; ticks are the low 48 bits."""
    what = str(value)
    if kind in (EventKind.STATE, EventKind.TRIP):
        what = _named(State if kind == EventKind.STATE else Trip, value)
    elif kind == EventKind.INTERLOCK:
        what = _named(Interlock, value & 0x7F) + ("_closed" if value & 0x80 else "_open")
    elif kind == EventKind.DIN_BYTE:
        what = f"{value:02x}"
    return f"{_named(EventKind, kind)}:{what}@{int.from_bytes(stamp, 'little')}"
