"""The index of a recording that keeps windows only: where each lies, and how loud the rest was."""

from __future__ import annotations

import dataclasses
import os
from pathlib import Path

import msgspec
import numpy as np
import numpy.typing as npt

from rig.record.bench_fault import COPY_AGAIN, BadFileError
from rig.record.disk import BINARY, write_all

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]


class Row(msgspec.Struct, kw_only=True, omit_defaults=True, forbid_unknown_fields=True):
    """One line: a stretch of the time line, kept or not. The rows leave no frame out.

    ``offset``: frame of the recording's file at which the stretch begins; −1 if it was not kept.
    Then ``rms`` and ``peak`` are those of each channel, of full scale.
    """

    first: int
    frames: int
    offset: int = -1
    rms: tuple[float, ...] = ()
    peak: tuple[float, ...] = ()


class IndexWriter:
    """Appends rows, each at once; ``flush`` brings them to the disk.

    Raises
    ------
    OSError
        From any method; whole rows that were written stay.
    """

    def __init__(self, path: Path) -> None:
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | BINARY
        self._file = os.open(path, flags, 0o644)
        self.rows_written = 0
        self._bytes = 0

    def append(self, row: Row) -> None:
        """Write one row; on an error the file is cut back to whole rows."""
        line = msgspec.json.encode(row) + b"\n"
        try:
            write_all(self._file, line)
        except OSError:
            os.ftruncate(self._file, self._bytes)
            raise
        self.rows_written += 1
        self._bytes += len(line)

    def flush(self) -> None:
        """Bring the rows to the disk."""
        os.fsync(self._file)

    def close(self) -> None:
        """Flush and close."""
        try:
            self.flush()
        finally:
            os.close(self._file)


@dataclasses.dataclass(frozen=True)
class KeptWindows:
    """What an index says.

    Attributes
    ----------
    first, frames, offset
        (windows,) stretches that were kept, in order: frame of the time line, length, and frame of
        the file. Those that touch are one.
    rest_first, rest_frames
        (blocks,) stretches that were not.
    rms, peak
        (blocks, channels) of those, of full scale.
    row_count
        Rows of the file.
    frame_count
        Frames of the whole time line.
    """

    first: Ints
    frames: Ints
    offset: Ints
    rest_first: Ints
    rest_frames: Ints
    rms: Floats
    peak: Floats
    row_count: int
    frame_count: int

    def holds(self, first: Ints, stop: Ints) -> npt.NDArray[np.bool_]:
        """Tell for each stretch from ``first`` to ``stop``, (n,), whether all of it was kept."""
        if not len(self.first):
            return np.zeros(len(first), dtype=bool)
        place = np.searchsorted(self.first, first, side="right") - 1
        end = (self.first + self.frames)[np.maximum(place, 0)]
        return np.asarray((place >= 0) & (stop <= end))


def read_index(path: Path, stored_frames: int, channels: int) -> tuple[KeptWindows, list[str]]:
    """Read an index as far as the recording's file goes.

    Parameters
    ----------
    path
        The index.
    stored_frames, channels
        Whole frames in the file that it is of, and its channels.

    Returns
    -------
    windows
        What is there. Where the file ends early, the time line ends with it.
    faults
        A sentence for a torn last row, for rows whose sound is missing, and for sound without rows.

    Raises
    ------
    BadFileError
        A row before the last can't be read, or the rows do not follow each other.
    """
    content = path.read_bytes()
    end = content.rfind(b"\n") + 1
    faults = []
    if end < len(content):
        faults.append(f"{path}: the last row is torn and is left out")
    try:
        rows = msgspec.json.Decoder(Row).decode_lines(memoryview(content)[:end])
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise BadFileError([f"{path}: not an index of windows ({error}). {COPY_AGAIN}"]) from error
    kept: list[list[int]] = []
    rest: list[Row] = []
    frame = offset = 0
    for number, row in enumerate(rows, start=1):
        is_kept = row.offset >= 0
        whole = len(row.rms) == len(row.peak) == (0 if is_kept else channels)
        if row.first != frame or row.frames <= 0 or (is_kept and row.offset != offset) or not whole:
            raise BadFileError(
                [
                    f"{path}, line {number}: does not follow the row before; it can't be trusted. "
                    f"{COPY_AGAIN}"
                ]
            )
        if not is_kept:
            rest.append(row)
            frame += row.frames
            continue
        there = min(row.frames, stored_frames - offset)
        if kept and kept[-1][0] + kept[-1][1] == row.first:
            kept[-1][1] += there
        elif there:
            kept.append([row.first, there, row.offset])
        frame, offset = frame + there, offset + there
        if there < row.frames:
            faults.append(f"{path}: the sound of its rows from line {number} on is missing")
            break
    if offset < stored_frames:
        faults.append(
            f"{path}: the last {stored_frames - offset} frames of sound have no row and are left "
            "out"
        )
    table = np.array(kept, dtype=np.int64).reshape(-1, 3)
    found = KeptWindows(
        first=table[:, 0],
        frames=table[:, 1],
        offset=table[:, 2],
        rest_first=np.array([row.first for row in rest], dtype=np.int64),
        rest_frames=np.array([row.frames for row in rest], dtype=np.int64),
        rms=np.array([row.rms for row in rest], dtype=np.float64).reshape(-1, channels),
        peak=np.array([row.peak for row in rest], dtype=np.float64).reshape(-1, channels),
        row_count=len(rows),
        frame_count=frame,
    )
    return found, faults
