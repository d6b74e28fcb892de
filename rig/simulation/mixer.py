"""A sum of overlapping waves on one sample clock, read forward."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt


class Mixer:
    """Waves are added at their sample numbers, ahead of the reader; samples come out in order."""

    def __init__(self) -> None:
        self._base = 0
        self._buffer = np.zeros(1 << 16, dtype=np.float32)
        self._end = 0
        """Sample number after the last one that a wave has touched."""

    def add(self, first: int, wave: npt.NDArray[np.float32]) -> None:
        """Add a wave; what lies before the reader is lost to it."""
        if first < self._base:
            wave = wave[self._base - first :]
            first = self._base
        if not len(wave):
            return
        low, high = first - self._base, first - self._base + len(wave)
        if high > len(self._buffer):
            grown = np.zeros(max(high, 2 * len(self._buffer)), dtype=np.float32)
            grown[: len(self._buffer)] = self._buffer
            self._buffer = grown
        self._buffer[low:high] += wave
        self._end = max(self._end, first + len(wave))

    def silent(self, first: int) -> bool:
        """No wave reaches this sample or any after it."""
        return first >= self._end

    def view(self, first: int, count: int) -> npt.NDArray[np.float32]:
        """Return samples ahead of the reader, zeros where no wave is; not to be written to."""
        low = first - self._base
        part = self._buffer[low : low + count]
        if len(part) < count:
            part = np.pad(part, (0, count - len(part)))
        return part

    def forget(self, first: int) -> None:
        """All samples before ``first`` have been read."""
        if first - self._base < len(self._buffer) // 2 and not self.silent(first):
            return
        low = min(first - self._base, len(self._buffer))
        kept = self._buffer[low : max(low, self._end - self._base)].copy()
        self._buffer[: len(kept)] = kept
        self._buffer[len(kept) : max(len(kept), self._end - self._base)] = 0.0
        self._base = first
        self._end = max(self._end, first)
