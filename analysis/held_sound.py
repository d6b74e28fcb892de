"""The sound still needed of one channel as it comes in, handed on in overlapping stretches."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Bools = npt.NDArray[np.bool_]
Samples = npt.NDArray[np.float32]

CORE_S = 2.0
MARGIN_S = 0.12
EDGE_S = 0.002
"""What begins so near to an end of the recording can't be told from the end itself."""
REST_S = 0.005
"""The mean of so much stands for what was before the recording, and for what comes after it."""


class Held(NamedTuple):
    """A stretch whose onsets are asked for from its margin to ``stop``; it is real to ``end``."""

    samples: Samples
    stop: int
    end: int


class HeldSound:
    """Holds no more than a stretch, whatever the recording's length.

    A stretch counts as held until the next one is asked for.

    Parameters
    ----------
    sample_rate_hz
        Rate of the samples.
    hop
        Frames of a hop; every part of a stretch is whole hops.

    Attributes
    ----------
    first
        Frame of the recording that the stretch begins with; below 0 in the margin before it.
    margin, edge
        Frames on either side of what is asked for, and at an end of what was recorded.
    """

    def __init__(self, sample_rate_hz: float, hop: int) -> None:
        self._rate_hz = sample_rate_hz
        self._hop = hop
        self.margin, self.edge = self._whole(MARGIN_S), self._whole(EDGE_S)
        self._core, self._rest = self._whole(CORE_S), self._whole(REST_S)
        self._pieces: list[Samples] = []
        self._count = 0
        self.first = -self.margin
        self._gaps: list[tuple[int, int]] = []  # frames of the recording that were not kept

    def _whole(self, seconds: float) -> int:
        return int(np.ceil(seconds * self._rate_hz / self._hop)) * self._hop

    def _take(self, samples: Samples) -> None:
        self._pieces.append(samples)
        self._count += len(samples)

    def feed(self, samples: npt.ArrayLike) -> Iterator[Held]:
        """Take the next samples, (frames,), and give the stretches they fill; NaN is silence."""
        block = np.asarray(samples, dtype=np.float32)
        if not np.isfinite(block).all():
            block = np.nan_to_num(block, nan=0.0, posinf=1.0, neginf=-1.0)
        if not len(block):
            return
        if not self._pieces:
            # before it began, the signal stood where it began: a step there is none of the sound
            rest = block[: self._rest].mean()
            self._take(np.full(self.margin, rest, dtype=np.float32))
        self._take(block)
        need = self._core + 2 * self.margin
        while self._count >= need:
            held = np.concatenate(self._pieces)
            yield Held(held[:need], self._core + self.margin, need)
            # a copy, so that the whole of what was held can go
            self._pieces = [held[self._core :].copy()]
            self._count -= self._core
            self.first += self._core

    def pass_over(self, frames: int) -> Iterator[Held]:
        """Go on after so many frames that were not kept, and give the stretches they fill."""
        begin = max(self.first + self._count, 0)
        self._gaps.append((begin, begin + frames))
        rest = self._pieces[-1][-self._rest :].mean() if self._pieces else 0.0
        while frames > 0:
            some = min(frames, self._core)
            yield from self.feed(np.full(some, rest, dtype=np.float32))
            frames -= some

    def finish(self) -> Iterator[Held]:
        """Give the last stretch, with some rest after it; none where nothing came."""
        if self._count <= self.margin:
            return
        held = np.concatenate(self._pieces)
        length = -(-len(held) // self._hop) * self._hop + self._whole(MARGIN_S / 2)
        rest = held[-self._rest :].mean()
        after = np.full(length - len(held), rest, dtype=np.float32)
        yield Held(np.concatenate([held, after]), len(held), len(held))

    def clear(self, count: int) -> tuple[Bools, Bools]:
        """Hops of the stretch held that were kept, and those of them that lie inside: (hops,)."""
        kept, inside = np.ones(count, dtype=bool), np.ones(count, dtype=bool)
        self._gaps = [gap for gap in self._gaps if gap[1] > self.first]
        edge = self.edge // self._hop
        for begin, end in self._gaps:
            low, high = (begin - self.first) // self._hop, -(-(end - self.first) // self._hop)
            kept[max(low, 0) : max(high, 0)] = False
            inside[max(low - edge, 0) : max(high + edge, 0)] = False
        return kept, inside
