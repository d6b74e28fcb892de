"""The sensor recording: RF64 or FLAC, 24 bit, streamed in and out, readable however it was cut."""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

import numpy as np
import numpy.typing as npt
import soundfile

from rig.record.bench_fault import COPY_AGAIN, BadFileError
from rig.record.endurance import Coding
from rig.record.flac_frames import MAGIC, FlacFrames, read_stream_info
from rig.record.kept_windows import KeptWindows, read_index

Samples = npt.NDArray[np.float32]

BYTES_PER_SAMPLE = 3


class _WatchedFile:
    """A file that keeps the error of a failed write, since the codec's C code can't pass it on."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self.error: OSError | None = None

    def write(self, data: bytes) -> int:
        written = 0
        try:
            # a disk that fills up takes a part first, and gives its reason only when asked again
            while written < len(data):
                written += self._file.write(data[written:])
        except OSError as error:
            self.error = self.error or error
        return written

    def read(self, count: int = -1) -> bytes:
        return self._file.read(count)

    def seek(self, offset: int, whence: int = 0) -> int:
        return self._file.seek(offset, whence)

    def tell(self) -> int:
        return self._file.tell()


class AudioSink:
    """Takes blocks of float samples and streams them to the disk.

    Parameters
    ----------
    path
        File to make.
    sample_rate_hz, channels
        Of the samples.
    coding
        How they are stored, 24 bit each; both lose nothing. FLAC takes 8 channels at the most, and
        holds back what does not fill one of its frames yet: under 0.1 s.

    Raises
    ------
    OSError
        From any method; what was written stays.
    """

    def __init__(
        self, path: Path, sample_rate_hz: int, channels: int, coding: Coding = "rf64"
    ) -> None:
        self._raw = path.open("xb", buffering=0)
        self._watched = _WatchedFile(self._raw)
        self.channels = channels
        self.frames_written = 0
        try:
            self._file = soundfile.SoundFile(
                self._watched,
                "w",
                sample_rate_hz,
                channels,
                format=coding.upper(),
                subtype="PCM_24",
            )
        except soundfile.LibsndfileError as error:
            self._raw.close()
            raise self._watched.error or OSError(str(error)) from error

    def write(self, samples: npt.ArrayLike) -> None:
        """Append samples, float (frames, channels), full scale ±1; beyond it they are clipped.

        ValueError if the shape is wrong or a sample is not finite; then nothing is written.
        """
        block = np.asarray(samples, dtype=np.float32)
        if block.ndim != 2 or block.shape[1] != self.channels:
            raise ValueError(f"samples of shape {block.shape}; (frames, {self.channels}) asked for")
        if not np.isfinite(block).all():
            raise ValueError("samples that are not finite can't be recorded")
        try:
            self._file.write(block)
        except (AssertionError, soundfile.LibsndfileError) as error:
            raise self._watched.error or OSError(str(error)) from error
        if self._watched.error is not None:
            raise self._watched.error
        self.frames_written += len(block)

    def flush(self) -> None:
        """Bring what was written to the disk."""
        os.fsync(self._raw.fileno())

    def close(self) -> None:
        """Write the lengths into the header, bring all to the disk, and close."""
        try:
            self._file.close()
            os.fsync(self._raw.fileno())
        finally:
            self._raw.close()
        if self._watched.error is not None:
            raise self._watched.error


class AudioReader:
    """Reads a recording in pieces; memory does not grow with its length.

    Parameters
    ----------
    path
        An RF64, WAV or FLAC file of 24 bit samples, whole or cut anywhere.
    sample_rate_hz, roles
        As the start record has them; a header that says otherwise is refused.
    index_path
        Index of a recording that keeps windows only.

    Attributes
    ----------
    sample_rate_hz, channel_count, frame_count
        Rate, channels, and frames of the time line.
    stored_count
        Whole frames that the file holds.
    windows, faults
        What was kept, None if all was; and what is wrong with the index.
    roles
        Role to column of the samples, from 0.
    cut
        The file was not finished: its header has no length, or more than the file holds.

    Raises
    ------
    BadFileError
        The file is no such recording, or its rate or channels differ from the start record.
    """

    def __init__(
        self,
        path: Path,
        sample_rate_hz: int,
        roles: dict[str, int],
        index_path: Path | None = None,
    ) -> None:
        self.path = path
        self.sample_rate_hz = sample_rate_hz
        self.roles = dict(roles)
        self.channel_count = max(roles.values(), default=-1) + 1
        self._first_byte = 0
        self.stored_count = 0
        self.cut = True
        self._flac: FlacFrames | None = None
        self.windows: KeptWindows | None = None
        self.faults: list[str] = []
        self._read_header()
        self.frame_count = self.stored_count
        if index_path is not None:
            self.windows, self.faults = read_index(
                index_path, self.stored_count, self.channel_count
            )
            self.frame_count = self.windows.frame_count

    @property
    def duration_s(self) -> float:
        """Length of the recording."""
        return self.frame_count / self.sample_rate_hz

    def _read_header(self) -> None:
        size = self.path.stat().st_size
        with self.path.open("rb") as file:
            head = file.read(1 << 12)
        if head and MAGIC.startswith(head[:4]):
            self._read_flac_header(head)
            return
        if not (b"RF64".startswith(head[:4]) or b"RIFF".startswith(head[:4])) or not (
            b"WAVE".startswith(head[8:12])
        ):
            raise BadFileError([f"{self.path}: not an RF64, WAV or FLAC recording. {COPY_AGAIN}"])
        position, declared = 12, 0
        while position + 8 <= len(head):
            name, length = head[position : position + 4], _u32(head, position + 4)
            body = position + 8
            if name == b"ds64" and body + 16 <= len(head):
                declared = struct.unpack_from("<Q", head, body + 8)[0]
            elif name == b"fmt " and body + 16 <= len(head):
                _, channels, rate, _, _, bits = struct.unpack_from("<HHIIHH", head, body)
                self._check_format(channels, rate, bits)
            elif name == b"data":
                declared = declared if length == 0xFFFFFFFF else length
                held = max(0, size - body)
                frame_bytes = BYTES_PER_SAMPLE * self.channel_count
                # a length of 0 is the placeholder of a file that was never closed
                self.cut = declared > held or (declared == 0 and held > 0)
                self._first_byte = body
                self.stored_count = (held if self.cut else declared) // frame_bytes
                return
            position = body + length + length % 2

    def _read_flac_header(self, head: bytes) -> None:
        info = read_stream_info(head)
        if info is None:
            return
        self._check_format(info.channels, info.sample_rate_hz, info.bits)
        self._flac = FlacFrames(self.path, info)
        self.stored_count = self._flac.frame_count
        self.cut = info.frame_count != self.stored_count

    def _check_format(self, channels: int, rate: int, bits: int) -> None:
        faults = []
        if bits != 8 * BYTES_PER_SAMPLE:
            faults.append(f"{self.path}: samples of {bits} bits found; 24 are recorded")
        if channels != self.channel_count:
            faults.append(
                f"{self.path}: {channels} channels found; the start record names "
                f"{self.channel_count}"
            )
        if rate != self.sample_rate_hz:
            faults.append(
                f"{self.path}: {rate} Hz found; the start record says {self.sample_rate_hz} Hz"
            )
        if faults:
            raise BadFileError(faults)

    def window(self, first: int, count: int) -> Samples:
        """Samples from frame ``first`` on, float32 (frames, channels).

        Frames outside the recording are left out: the result is shorter, or empty. Frames that were
        not kept are NaN.
        """
        start = min(max(first, 0), self.frame_count)
        stop = min(max(first + count, start), self.frame_count)
        kept = self.windows
        with self.path.open("rb") as file:
            if kept is None:
                return self._read(file, start, stop - start)
            samples = np.full((stop - start, self.channel_count), np.nan, dtype=np.float32)
            place = max(int(np.searchsorted(kept.first, start, side="right")) - 1, 0)
            for begin, frames, offset in self._kept_from(kept, place):
                if begin >= stop:
                    break
                low, high = max(begin, start), min(begin + frames, stop)
                if high > low:
                    samples[low - start : high - start] = self._read(
                        file, offset + low - begin, high - low
                    )
            return samples

    @staticmethod
    def _kept_from(kept: KeptWindows, place: int) -> Iterator[tuple[int, int, int]]:
        for k in range(place, len(kept.first)):
            yield int(kept.first[k]), int(kept.frames[k]), int(kept.offset[k])

    def blocks(self, frames: int = 1 << 16) -> Iterator[tuple[int, Samples]]:
        """All that was kept, in order: (first frame, float32 samples of at most ``frames``)."""
        whole = [(0, self.frame_count, 0)]
        with self.path.open("rb") as file:
            for begin, count, offset in (
                whole if self.windows is None else self._kept_from(self.windows, 0)
            ):
                for place in range(0, count, frames):
                    piece = min(frames, count - place)
                    yield begin + place, self._read(file, offset + place, piece)

    def _read(self, file: BinaryIO, first: int, count: int) -> Samples:
        if self._flac is not None:
            return self._flac.read(file, first, count)
        frame_bytes = BYTES_PER_SAMPLE * self.channel_count
        file.seek(self._first_byte + first * frame_bytes)
        # each sample is read as 32 bits that begin with the last byte of the one before, which the
        # shift drops: a byte before the first makes that one whole
        packed = b"\0" + file.read(count * frame_bytes)
        shape = (len(packed) // frame_bytes, self.channel_count)
        wide = np.ndarray(shape, "<i4", packed, 0, (frame_bytes, BYTES_PER_SAMPLE))
        samples = (wide >> 8).astype(np.float32)
        samples *= np.float32(2.0 ** (1 - 8 * BYTES_PER_SAMPLE))
        return samples


def _u32(content: bytes, position: int) -> int:
    return int(struct.unpack_from("<I", content, position)[0])
