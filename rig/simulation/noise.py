"""Seeded randomness, and the background of a signal, whatever the slices that it is read in."""

from __future__ import annotations

import math
import zlib
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

BLOCK = 65_536
_SIDE = 256  # BLOCK is its square


def generator(seed: int, *names: str | int) -> np.random.Generator:
    """Return a generator of its own for each seed and path of names."""
    words = [zlib.crc32(n.encode()) if isinstance(n, str) else n for n in names]
    return np.random.Generator(np.random.SFC64(np.random.SeedSequence([seed, *words])))


class Background:
    """White Gaussian noise and mains hum on one sample clock, endless, read forward.

    Made in fixed blocks, the noise of each from its own generator, so that sample n is the same
    however it is reached.

    Parameters
    ----------
    seed, name
        Which noise.
    rms
        Standard deviation of the noise.
    hum
        (frequency in Hz, amplitude) of each hum; their phases are 0 at time 0.
    start_s, step_s
        Time of sample 0, and between samples; of no matter without hum.
    """

    def __init__(
        self,
        seed: int,
        name: str,
        rms: float,
        hum: Sequence[tuple[float, float]] = (),
        start_s: float = 0.0,
        step_s: float = 1.0,
    ) -> None:
        self._seed, self._name, self._rms = seed, name, rms
        self._hum, self._start_s, self._step_s = tuple(hum), start_s, step_s
        self._number = -1
        self._block = np.zeros(0, dtype=np.float32)
        self._peak = 0.0

    def _load(self, number: int) -> npt.NDArray[np.float32]:
        if number == self._number:
            return self._block
        rng = generator(self._seed, self._name, number)
        block = rng.standard_normal(BLOCK, dtype=np.float32)
        block *= np.float32(self._rms)
        begin_s = self._start_s + number * BLOCK * self._step_s
        near = np.arange(_SIDE) * self._step_s
        far = begin_s + np.arange(_SIDE) * (_SIDE * self._step_s)
        square = block.reshape(_SIDE, _SIDE)
        for frequency_hz, amplitude in self._hum:  # sin(a + b), its two products as outer ones
            w = 2.0 * math.pi * frequency_hz
            sines = np.stack([np.sin(w * far), np.cos(w * far)], axis=1) * amplitude
            turns = np.stack([np.cos(w * near), np.sin(w * near)])
            square += (sines @ turns).astype(np.float32)
        self._block, self._number = block, number
        self._peak = float(max(block.max(), -block.min()))
        return block

    def take(self, first: int, count: int) -> npt.NDArray[np.float32]:
        """Samples ``first`` to ``first + count``; empty for a count of 0. Not to be written to."""
        parts = []
        while count > 0:
            number, offset = divmod(first, BLOCK)
            part = self._load(number)[offset : offset + count]
            parts.append(part)
            first += len(part)
            count -= len(part)
        if len(parts) == 1:
            return parts[0]
        return np.concatenate(parts) if parts else np.zeros(0, dtype=np.float32)

    def peak(self, first: int, count: int) -> float:
        """Bound of the absolute value of these samples (of the whole blocks that they lie in)."""
        bound = 0.0
        for number in range(first // BLOCK, (first + max(count, 1) - 1) // BLOCK + 1):
            self._load(number)
            bound = max(bound, self._peak)
        return bound
