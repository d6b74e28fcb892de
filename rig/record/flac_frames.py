"""A FLAC recording by its frames: readable at any place, and as far as it goes if it was cut.

The library that decodes it neither seeks in a file that was never closed nor gives what stands
before a cut. So the frames are found here, by their headers (RFC 9639, sections 8 and 9, from
memory), and those that are wanted are handed to it as a small file of their own.
"""

from __future__ import annotations

import dataclasses
import io
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

import numpy as np
import numpy.typing as npt
import soundfile

from rig.record.bench_fault import COPY_AGAIN, BadFileError

MOST_CHANNELS = 8
"""A FLAC file holds no more (RFC 9639)."""
MAGIC = b"fLaC"

_STREAMINFO_BYTES = 34
_SYNC = b"\xff\xf8"  # frames of one fixed length, as the encoder writes them
_MOST_HEADER = 16
_PIECE = 1 << 22


@dataclasses.dataclass(frozen=True)
class StreamInfo:
    """What stands at the begin of a FLAC file; ``frame_count`` 0: it was never closed."""

    sample_rate_hz: int
    channels: int
    bits: int
    frame_count: int
    block_frames: int
    first_byte: int


def read_stream_info(head: bytes) -> StreamInfo | None:
    """Read the begin of a file; None if it is cut inside it.

    Raises
    ------
    ValueError
        It is no FLAC file.
    """
    if not MAGIC.startswith(head[:4]):
        raise ValueError("not a FLAC file")
    position, info = 4, b""
    while position + 4 <= len(head):
        last, kind = head[position] >> 7, head[position] & 0x7F
        length = int.from_bytes(head[position + 1 : position + 4], "big")
        body = head[position + 4 : position + 4 + length]
        if kind == 0 and len(body) == _STREAMINFO_BYTES:
            info = body
        position += 4 + length
        if last:
            break
    else:
        return None
    if not info or position > len(head):
        return None
    packed = int.from_bytes(info[10:18], "big")
    return StreamInfo(
        sample_rate_hz=packed >> 44,
        channels=(packed >> 41 & 7) + 1,
        bits=(packed >> 36 & 31) + 1,
        frame_count=packed & (1 << 36) - 1,
        block_frames=int.from_bytes(info[2:4], "big"),
        first_byte=position,
    )


class _Stream(soundfile.SoundFile):  # type: ignore[misc]
    """A file that is read from its begin on. Its frames' numbers are not those of the file."""

    def seekable(self) -> bool:
        return False


class FlacFrames:
    """Frames of a FLAC file, whole or cut.

    Parameters
    ----------
    path
        The file.
    info
        Its begin.

    Attributes
    ----------
    frame_count
        Frames that can be read: all up to the end, the cut, or the first damage.
    """

    def __init__(self, path: Path, info: StreamInfo) -> None:
        self._path, self._info = path, info
        self._size = path.stat().st_size
        with path.open("rb") as file:
            self._begins = np.fromiter(_frame_begins(file, info.first_byte), dtype=np.int64)
            self.frame_count = 0
            if len(self._begins):
                self.frame_count = (len(self._begins) - 1) * info.block_frames
                # the last frame may be shorter, or cut
                last = self._decoded(file, len(self._begins) - 1, len(self._begins))
                if last is None:
                    self._size = int(self._begins[-1])
                    self._begins = self._begins[:-1]
                else:
                    self.frame_count += len(last)

    def read(self, file: BinaryIO, first: int, count: int) -> npt.NDArray[np.float32]:
        """Samples (frames, channels) from a frame on; fewer past the end.

        Raises
        ------
        BadFileError
            A frame in the middle is damaged.
        """
        count = min(count, self.frame_count - first)
        if count <= 0:
            return np.zeros((0, self._info.channels), dtype=np.float32)
        low = first // self._info.block_frames
        high = -(-(first + count) // self._info.block_frames)
        samples = self._decoded(file, low, high)
        if samples is None:
            raise BadFileError(
                [f"{self._path}: damaged between frames {first} and {first + count}. {COPY_AGAIN}"]
            )
        skipped = first - low * self._info.block_frames
        return samples[skipped : skipped + count]

    def _decoded(self, file: BinaryIO, low: int, high: int) -> npt.NDArray[np.float32] | None:
        """Decode whole frames; None if one of them is cut or damaged."""
        begin = int(self._begins[low])
        end = int(self._begins[high]) if high < len(self._begins) else self._size
        file.seek(begin)
        content = io.BytesIO(self._head() + file.read(end - begin))
        wanted = (high - low) * self._info.block_frames
        try:
            with _Stream(content) as sound:
                samples = sound.read(wanted, dtype="float32", always_2d=True)
        except soundfile.LibsndfileError:
            return None
        # only the last frame of all may be shorter
        whole = len(samples) == wanted or high == len(self._begins)
        return np.asarray(samples) if whole and len(samples) else None

    def _head(self) -> bytes:
        """Begin of a file that holds some of the frames: no length, no checksum of the whole."""
        info = self._info
        packed = info.sample_rate_hz << 44 | (info.channels - 1) << 41 | (info.bits - 1) << 36
        block = info.block_frames.to_bytes(2, "big")
        body = block + block + bytes(6) + packed.to_bytes(8, "big") + bytes(16)
        return MAGIC + b"\x80" + _STREAMINFO_BYTES.to_bytes(3, "big") + body


def _frame_begins(file: BinaryIO, first_byte: int) -> Iterator[int]:
    """Bytes at which the frames 0, 1, 2 … begin, as long as they follow each other."""
    file.seek(first_byte)
    held, base, place, number = b"", first_byte, 0, 0
    while piece := file.read(_PIECE):
        held, base, place = held[place:] + piece, base + place, 0
        while (found := held.find(_SYNC, place)) >= 0 and found + _MOST_HEADER <= len(held):
            if _is_header(held[found : found + _MOST_HEADER], number):
                yield base + found
                number += 1
            place = found + 1
        place = found if found >= 0 else max(len(held) - 1, place)
    # a header at the very end may be shorter than the longest
    while (found := held.find(_SYNC, place)) >= 0:
        if _is_header(held[found : found + _MOST_HEADER], number):
            yield base + found
            number += 1
        place = found + 1


def _is_header(head: bytes, number: int) -> bool:
    """Tell whether a frame of this number begins here."""
    coded = _coded(number)
    if head[4 : 4 + len(coded)] != coded:
        return False
    end = 4 + len(coded) + {6: 1, 7: 2}.get(head[2] >> 4, 0) + {12: 1, 13: 2, 14: 2}.get(
        head[2] & 15, 0
    )  # fmt: skip
    return end < len(head) and _crc8(head[:end]) == head[end]


def _coded(number: int) -> bytes:
    """Number as a frame header has it: UTF-8, as it once was, up to 36 bits."""
    if number < 0x80:
        return bytes([number])
    tail: list[int] = []
    room = 0x3F
    while number > room:
        tail.insert(0, 0x80 | number & 0x3F)
        number >>= 6
        room >>= 1
    lead = 0xFF & ~(2 * room + 1)
    return bytes([lead | number, *tail])


def _table() -> list[int]:
    table = []
    for byte in range(256):
        crc = byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x07 if crc & 0x80 else crc << 1) & 0xFF
        table.append(crc)
    return table


_CRC8 = _table()


def _crc8(content: bytes) -> int:
    """Check byte of a header: polynomial x^8 + x^2 + x + 1."""
    crc = 0
    for byte in content:
        crc = _CRC8[crc ^ byte]
    return crc
