"""What is needed of one stroke's envelope to tell why a module triggered on it again."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
from numpy.typing import NDArray

from analysis.detector import Envelopes

Array = NDArray[np.float64]


@dataclasses.dataclass(frozen=True)
class HeardLevel:
    """Level of one stroke, and how it falls."""

    level: Array
    onset: int
    rate_hz: float

    @classmethod
    def of(cls, strokes: Envelopes, k: int) -> HeardLevel:
        """Take one stroke out of many."""
        return cls(strokes.level[k].astype(float), strokes.onset, strokes.rate_hz)

    def between(self, begin_ms: float, end_ms: float) -> float:
        """Highest level between two times after the onset; 0 outside the window."""
        first = self.onset + round(begin_ms * self.rate_hz / 1e3)
        last = self.onset + round(end_ms * self.rate_hz / 1e3)
        part = self.level[max(0, first) : max(0, last)]
        return float(part.max()) if part.size else 0.0

    def rms(self, begin_ms: float, end_ms: float) -> float:
        """Root mean square between two times after the onset; 0 outside the window."""
        first = self.onset + round(begin_ms * self.rate_hz / 1e3)
        last = self.onset + round(end_ms * self.rate_hz / 1e3)
        part = self.level[max(0, first) : max(0, last)]
        return math.sqrt(float(np.mean(part**2))) if part.size else 0.0

    def bump(self, at_ms: float, decay_ms: float) -> float:
        """Level at a time over what the ringing alone would be there.

        The ringing is drawn, in decibels, as a line from just before to some time after; or, where
        the next stroke cuts the sound off, as the natural decay from before.
        """
        begin, end = max(2.5, at_ms - 6.0), max(3.5, at_ms - 2.0)
        before, middle = self.rms(begin, end), 0.5 * (begin + end)
        after = self.rms(at_ms + 6.0, at_ms + 14.0)
        here = self.rms(at_ms - 0.5, at_ms + 2.5)
        if before <= 0.0:
            return 1.0
        slope = -1.0 / max(decay_ms, 1.0)
        if after > 0.01 * before and self.rms(at_ms + 13.0, at_ms + 14.0) > 0.0:
            slope = math.log(after / before) / (at_ms + 10.0 - middle)
        return here / (before * math.exp(slope * (at_ms + 1.0 - middle)))
