"""A ring of samples between an audio callback, which may never wait, and its reader."""

from __future__ import annotations

import collections

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.float32]


class SampleRing:
    """Room for a fixed number of frames; one writer, one reader.

    Parameters
    ----------
    frames, channels
        Room. It is filled with numbers at once: pages that the callback is the first to touch
        cost it time that it hasn't got.

    Attributes
    ----------
    frames_offered
        All frames that the writer came with, kept or not: the audio clock.
    frames_lost
        Those of them for which there was no room.
    """

    def __init__(self, frames: int, channels: int) -> None:
        self._store: Samples = np.full((frames, channels), np.float32(0))
        self._written = 0
        self._read = 0
        self.frames_offered = 0
        self.frames_lost = 0
        self._lost_now = 0
        self._gaps: collections.deque[tuple[int, int]] = collections.deque()

    def write(self, samples: Samples) -> bool:
        """Keep samples, shape (frames, channels), whole or not at all; False if there is no room.

        What is lost is counted, and placed before the next samples that are kept.
        """
        count = len(samples)
        room = len(self._store)
        self.frames_offered += count
        if self._written - self._read + count > room:
            self._lost_now += count
            self.frames_lost += count
            return False
        if self._lost_now:
            self._gaps.append((self._written, self._lost_now))
            self._lost_now = 0
        at = self._written % room
        first = min(count, room - at)
        self._store[at : at + first] = samples[:first]
        self._store[: count - first] = samples[first:]
        # Last, so that the reader never sees frames that are not there yet.
        self._written += count
        return True

    def take(self) -> list[tuple[int, Samples]]:
        """Give all that is kept and make room: pieces with the frames lost before each."""
        end = self._written
        pieces: list[tuple[int, Samples]] = []
        lost = 0
        while self._gaps and self._gaps[0][0] < end:
            place, more = self._gaps.popleft()
            if place > self._read:
                pieces.append((lost, self._copy(place)))
                lost = 0
            lost += more
        if end > self._read:
            pieces.append((lost, self._copy(end)))
        return pieces

    def _copy(self, until: int) -> Samples:
        room = len(self._store)
        at, count = self._read % room, until - self._read
        first = min(count, room - at)
        samples = np.concatenate([self._store[at : at + first], self._store[: count - first]])
        self._read = until
        return samples
