"""Seeded randomness that does not depend on how its reader slices time."""

from __future__ import annotations

import zlib

import numpy as np
import numpy.typing as npt

BLOCK = 65_536


def generator(seed: int, *names: str | int) -> np.random.Generator:
    """Return a generator of its own for each seed and path of names."""
    words = [zlib.crc32(n.encode()) if isinstance(n, str) else n for n in names]
    return np.random.Generator(np.random.SFC64(np.random.SeedSequence([seed, *words])))


class NoiseStream:
    """Endless white Gaussian noise, read forward by sample number.

    Drawn in fixed blocks, each from its own generator, so that sample n is the same however it is
    reached.

    Parameters
    ----------
    seed, name
        Which noise.
    rms
        Standard deviation.
    """

    def __init__(self, seed: int, name: str, rms: float) -> None:
        self._seed, self._name, self._rms = seed, name, rms
        self._number = -1
        self._block = np.zeros(0, dtype=np.float32)
        self._peak = 0.0

    def _load(self, number: int) -> npt.NDArray[np.float32]:
        if number != self._number:
            rng = generator(self._seed, self._name, number)
            self._block = rng.standard_normal(BLOCK, dtype=np.float32)
            self._block *= np.float32(self._rms)
            self._peak = float(max(self._block.max(), -self._block.min()))
            self._number = number
        return self._block

    def take(self, first: int, count: int) -> npt.NDArray[np.float32]:
        """Samples ``first`` to ``first + count``; empty for a count of 0."""
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
