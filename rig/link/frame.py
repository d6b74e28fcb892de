"""Frames on the wire: consistent-overhead byte stuffing, a sequence number, a type and a checksum.

A frame is ``COBS(seq | type | body | crc) 0x00``. COBS after Cheshire and Baker 1999; the checksum
is CRC-16/CCITT-FALSE (polynomial 0x1021, start 0xFFFF, no reflection), sent high byte first.
"""

from __future__ import annotations

import binascii
import dataclasses

FRAME_LONGEST_BYTES = 240
"""Longest decoded frame: seq, type, body and crc. Below 254, so each COBS code byte ends a zero."""

_ENCODED_LONGEST = FRAME_LONGEST_BYTES + 1
_LEAST = 4


@dataclasses.dataclass(frozen=True, slots=True)
class Frame:
    """One frame: ``seq`` and ``type_code`` 0 to 255, ``body`` of at most 236 bytes."""

    seq: int
    type_code: int
    body: bytes = b""


def crc16(data: bytes) -> int:
    """CRC-16/CCITT-FALSE of ``data``; 0xFFFF for no bytes, 0x29B1 for b"123456789"."""
    return binascii.crc_hqx(data, 0xFFFF)


def stuff(data: bytes) -> bytes:
    """COBS of at most 253 bytes, without the closing zero.

    Raises
    ------
    ValueError
        ``data`` is longer than 253 bytes.
    """
    if len(data) > 253:
        raise ValueError(f"{len(data)} bytes to stuff; at most 253")
    return b"".join(bytes((len(run) + 1,)) + run for run in data.split(b"\0"))


def unstuff(data: bytes) -> bytes | None:
    """Undo ``stuff``; None where ``data`` is no COBS of at most 253 bytes (empty input too)."""
    runs = []
    at = 0
    while at < len(data):
        code = data[at]
        run = data[at + 1 : at + code]
        if code == 0 or code == 255 or len(run) != code - 1 or 0 in run:
            return None
        runs.append(run)
        at += code
    return b"\0".join(runs) if runs else None


def encode(frame: Frame) -> bytes:
    """Bytes of a frame, its closing zero included.

    Raises
    ------
    ValueError
        The frame is longer than ``FRAME_LONGEST_BYTES``.
    """
    content = bytes((frame.seq, frame.type_code)) + frame.body
    if len(content) + 2 > FRAME_LONGEST_BYTES:
        raise ValueError(
            f"a frame of {len(content) + 2} bytes; at most {FRAME_LONGEST_BYTES} are allowed"
        )
    return stuff(content + crc16(content).to_bytes(2, "big")) + b"\0"


class FrameDecoder:
    """Takes bytes as they come and gives whole frames; whatever is no frame is counted.

    Attributes
    ----------
    bad_count
        Pieces between two zeros that were no frame: torn, too long, or with a wrong checksum.
    """

    def __init__(self) -> None:
        self._pending = bytearray()
        self._overlong = False
        self.bad_count = 0

    def feed(self, data: bytes) -> list[Frame]:
        """Take ``data`` in and give the frames that it completes, in order."""
        frames = []
        *whole, rest = data.split(b"\0")
        for piece in whole:
            self._keep(piece)
            if self._overlong:
                self.bad_count += 1
            elif self._pending:
                frame = _decode(bytes(self._pending))
                if frame is None:
                    self.bad_count += 1
                else:
                    frames.append(frame)
            self._pending.clear()
            self._overlong = False
        self._keep(rest)
        return frames

    def _keep(self, piece: bytes) -> None:
        if len(self._pending) + len(piece) > _ENCODED_LONGEST:
            self._overlong = True
        if self._overlong:
            self._pending.clear()
        else:
            self._pending += piece


def _decode(stuffed: bytes) -> Frame | None:
    content = unstuff(stuffed)
    # the crc over content and its own crc is zero when both agree
    if content is None or len(content) < _LEAST or crc16(content) != 0:
        return None
    return Frame(content[0], content[1], content[2:-2])
