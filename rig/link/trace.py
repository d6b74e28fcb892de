"""Frames made readable: a running trace for the person, and the last ones for the fault bundle."""

from __future__ import annotations

import collections
from typing import Literal, TextIO

from rig.link.frame import Frame
from rig.link.messages import BY_TYPE, BadBodyError

KEPT_FRAMES = 64

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
    words = [f"{name}={_text(value)}" for name, value in fields.items()]
    words += ["(" + " ".join(_text(value) for value in record) + ")" for record in records]
    return " ".join([start, row.name, *words])


def _text(value: object) -> str:
    return value.hex() if isinstance(value, bytes) else str(value)
