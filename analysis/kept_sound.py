"""Sound kept for a second look, thinned out: what is loud, and what comes soon after onsets."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import scipy.signal

from analysis.stretch import Stretch

Floats = npt.NDArray[np.float64]

LEAST_RATE_HZ = 44_000.0
"""It is thinned out to no less."""
FILTER_HALF = 16
BLOCK_S = 0.05
AFTER_S = 0.65
"""Kept after each onset, as long as its tail is learnt (a gap would look like its end) ..."""
LOUD_NOISE = 8.0
"""... and wherever it is so many times the rms of the noise."""


class KeptSound:
    """Samples by their place, one in ``step`` frames; silence where nothing was kept.

    Parameters
    ----------
    sample_rate_hz
        Of the recording.
    """

    def __init__(self, sample_rate_hz: float) -> None:
        self.step = max(1, int(sample_rate_hz // LEAST_RATE_HZ))
        self.rate_hz = sample_rate_hz / self.step
        self._taps = np.ones(1)
        if self.step > 1:
            half, edge = FILTER_HALF * self.step // 2, 0.42 * LEAST_RATE_HZ
            self._taps = scipy.signal.firwin(2 * half + 1, edge, fs=sample_rate_hz)
        self._size = round(BLOCK_S * self.rate_hz)
        self._blocks: dict[int, npt.NDArray[np.float32]] = {}
        self.end = 0
        """Place after the last that was heard."""

    @property
    def noise_share(self) -> float:
        """Rms of the noise in what is kept, over that in the recording."""
        return float(np.sqrt(np.sum(self._taps**2)))

    @property
    def kept_s(self) -> float:
        """How much is held (s)."""
        return len(self._blocks) * BLOCK_S

    def hear(
        self, stretch: Stretch, first_frame: int, low: int, stop: int, onset_frames: Floats
    ) -> None:
        """Take in samples ``low`` to ``stop`` of a stretch that begins at a frame.

        ``onset_frames``: (n,) of the recording, those in it and those whose sound may last into it.
        """
        begin, end = (-(-(first_frame + at) // self.step) for at in (max(low, -first_frame), stop))
        if end <= begin:
            return
        half = len(self._taps) // 2
        first = begin * self.step - first_frame
        raw = stretch.clean(first - half, first + (end - begin - 1) * self.step + half + 1)
        smooth = np.convolve(raw, self._taps, "valid") if half else raw
        self.add(begin, smooth[:: self.step])
        self.end = end
        after = round(AFTER_S * self.rate_hz)
        onsets = onset_frames / self.step
        bar = LOUD_NOISE * self.noise_share * stretch.noise_rms
        for block in range(begin // self._size, (end - 1) // self._size):
            at = block * self._size
            near = (onsets > at - after) & (onsets < at + 2 * self._size)
            if not near.any() and np.abs(self._blocks[block]).max() < bar:
                del self._blocks[block]

    def window(self, first: int, length: int) -> Floats:
        """Samples from a place on, (length,)."""
        out = np.zeros(length)
        for block in range(first // self._size, (first + length - 1) // self._size + 1):
            if block in self._blocks:
                at = block * self._size - first
                low, high = max(at, 0), min(at + self._size, length)
                out[low:high] = self._blocks[block][low - at : high - at]
        return out

    def add(self, first: int, samples: Floats) -> None:
        """Add to what is there; blocks that are not there begin as silence."""
        for block in range(first // self._size, (first + len(samples) - 1) // self._size + 1):
            own = self._blocks.setdefault(block, np.zeros(self._size, dtype=np.float32))
            at = block * self._size - first
            low, high = max(at, 0), min(at + self._size, len(samples))
            own[low - at : high - at] += samples[low:high]

    def forget(self, place: float) -> None:
        """Let all before a place go."""
        for block in [one for one in self._blocks if (one + 1) * self._size <= place]:
            del self._blocks[block]

    def copy(self) -> KeptSound:
        """Another, to take sound off."""
        other = object.__new__(KeptSound)
        other.__dict__.update(self.__dict__)
        other._blocks = {block: samples.copy() for block, samples in self._blocks.items()}
        return other
