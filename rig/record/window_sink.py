"""Keeps windows around what is loud of a stream of sound, and of the rest how loud it was."""

from __future__ import annotations

import collections
import itertools
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt

from rig.record.audio_file import AudioSink, Samples
from rig.record.endurance import Coding
from rig.record.kept_windows import IndexWriter, Row

CHUNK = 256
"""Frames that are kept or not as one."""
LEAST_RISE = 3e-4
"""Peak to peak, of full scale: what stays below is no rise."""
OVER_USUAL, OVER_BEFORE = 4.0, 2.0
"""A rise is so many times the median of what came lately, and of the chunk before."""
LATELY = 256
"""Chunks; under a second."""
BLOCK_S = 1.0
"""Rest that is summed up in one row, at most."""


class WindowSink:
    """Takes what an ``AudioSink`` takes, and stores less of it.

    A rise of a watched channel keeps the sound around it. Memory does not grow with the stream.

    Parameters
    ----------
    path, index_path
        Files to make: the windows end to end, and where each lies.
    sample_rate_hz, channels
        Of the stream.
    watched
        Columns whose rises count: sensor and marker.
    before_ms, after_ms
        Kept before each rise, and after it.
    coding
        Of the windows.

    Raises
    ------
    OSError
        From any method; what was written stays.
    """

    def __init__(
        self,
        path: Path,
        index_path: Path,
        sample_rate_hz: int,
        channels: int,
        watched: Sequence[int],
        before_ms: float,
        after_ms: float,
        coding: Coding = "rf64",
    ) -> None:
        # the index first: no sound is ever there without one
        self.index = IndexWriter(index_path)
        self._sink = AudioSink(path, sample_rate_hz, channels, coding)
        self.channels = channels
        self.frames_written = 0
        self._broken = False
        self._watched = list(watched)
        self._before = -int(-before_ms * 1e-3 * sample_rate_hz // CHUNK)
        self._after = -int(-after_ms * 1e-3 * sample_rate_hz // CHUNK)
        self._block = round(BLOCK_S * sample_rate_hz)
        self._held = np.zeros((0, channels), dtype=np.float32)  # not decided yet
        self._first = 0  # its frame; a whole chunk
        self._seen = 0  # chunks whose rise was looked for
        self._rises: collections.deque[int] = collections.deque()
        self._lately = np.zeros((0, len(self._watched)))
        self._rest_frames = 0
        self._squares, self._peak = np.zeros(channels), np.zeros(channels)

    def write(self, samples: npt.ArrayLike) -> None:
        """Take samples as ``AudioSink.write`` does. ValueError: none of them is taken."""
        block = np.asarray(samples, dtype=np.float32)
        if block.ndim != 2 or block.shape[1] != self.channels:
            raise ValueError(f"samples of shape {block.shape}; (frames, {self.channels}) asked for")
        if not np.isfinite(block).all():
            raise ValueError("samples that are not finite can't be recorded")
        self._held = np.concatenate([self._held, block])
        self.frames_written += len(block)
        self._look()
        try:
            self._decide(self._seen - self._before)
        except OSError:
            # the file may hold a part that has no row: nothing may follow it
            self._broken = True
            raise

    def _look(self) -> None:
        """Find the rises in chunks that are whole by now."""
        start = self._seen * CHUNK - self._first
        count = (len(self._held) - start) // CHUNK
        if count <= 0:
            return
        chunks = self._held[start : start + count * CHUNK, self._watched].reshape(count, CHUNK, -1)
        height = np.ptp(chunks, axis=1).astype(np.float64)
        if not len(self._lately):
            self._lately = height[:1]
        before = np.concatenate([self._lately[-1:], height[:-1]])
        self._lately = np.concatenate([self._lately, height])[-LATELY:]
        usual = np.median(self._lately, axis=0)
        risen = height > np.maximum(LEAST_RISE, OVER_USUAL * usual)
        risen &= height > OVER_BEFORE * before
        self._rises.extend((self._seen + np.flatnonzero(risen.any(axis=1))).tolist())
        self._seen += count

    def _decide(self, stop: int) -> None:
        """Store or sum up the chunks before ``stop``; nothing that comes can change them."""
        first = self._first // CHUNK
        if stop <= first:
            return
        keep = np.zeros(stop - first, dtype=bool)
        for rise in self._rises:
            keep[max(rise - self._before - first, 0) : max(rise + self._after + 1 - first, 0)] = (
                True
            )
        while self._rises and self._rises[0] + self._after < stop:
            self._rises.popleft()
        edges = [0, *(np.flatnonzero(np.diff(keep)) + 1).tolist(), len(keep)]
        for low, high in itertools.pairwise(edges):
            self._put(self._held[low * CHUNK : high * CHUNK], kept=bool(keep[low]))
        self._held = self._held[len(keep) * CHUNK :].copy()

    def _put(self, samples: Samples, *, kept: bool) -> None:
        if kept:
            self._end_rest()
            offset = self._sink.frames_written
            # the sound first: a row is never of what isn't there
            self._sink.write(samples)
            self.index.append(Row(first=self._first, frames=len(samples), offset=offset))
            self._first += len(samples)
            return
        for place in range(0, len(samples), CHUNK):
            some = samples[place : place + CHUNK]
            self._rest_frames += len(some)
            self._squares += np.square(some, dtype=np.float64).sum(axis=0)
            self._peak = np.maximum(self._peak, np.abs(some).max(axis=0))
            self._first += len(some)
            if self._rest_frames >= self._block:
                self._end_rest()

    def _end_rest(self) -> None:
        """Write the row of what was not kept, if there is any."""
        if self._rest_frames:
            row = Row(
                first=self._first - self._rest_frames,
                frames=self._rest_frames,
                rms=tuple(float(f"{x:.4g}") for x in np.sqrt(self._squares / self._rest_frames)),
                peak=tuple(float(f"{x:.4g}") for x in self._peak),
            )
            self.index.append(row)
        self._rest_frames = 0
        self._squares = np.zeros(self.channels)
        self._peak = np.zeros(self.channels)

    def flush(self) -> None:
        """Bring to the disk what is decided."""
        self._sink.flush()
        self.index.flush()

    def close(self) -> None:
        """Decide the rest, and close both files, even if one can't be finished."""
        try:
            if not self._broken:
                self._decide(self._seen)
                # less than a chunk is left
                self._put(self._held, kept=bool(self._rises) and len(self._held) > 0)
                self._end_rest()
        finally:
            try:
                self._sink.close()
            finally:
                self.index.close()
