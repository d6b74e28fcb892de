"""A stretch of samples in which strokes were found, and where they start."""

from __future__ import annotations

import dataclasses

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

ONSET_SHARE = 0.01
"""The onset is where the sound passes this share of its peak."""
LEVEL_SHARE = 0.012
"""The rise is fitted up to this share of the peak, where the noise allows."""
LEVEL_NOISE = 6.0
"""... and at least up to so many times the rms of the noise."""
REST_NOISE = 2.5
"""The mean before a rise is its rest where it is so many times what noise makes of it."""
UNSURE_S = 0.0005
"""Where a beginning isn't sure it may lie so long before its hop."""
BACK_S = 0.0012
"""A corner shows up to so long before its hop on the longest scale."""
WINDOW_S = 0.0027
"""Of samples looked at before a level is reached."""


@dataclasses.dataclass(frozen=True)
class Stretch:
    """Samples in which strokes were found.

    Attributes
    ----------
    samples
        (frames,) one channel, hum and offset taken off.
    fast
        The same at the fast rate.
    frames_per_hop, frames_per_fast
        Frames in a hop and in a fast sample.
    noise_rms
        Rms of the noise.
    sample_rate_hz
        Rate.
    """

    samples: Floats
    fast: Floats
    frames_per_hop: int
    frames_per_fast: int
    noise_rms: float
    sample_rate_hz: float

    def clean(self, first: int, stop: int) -> Floats:
        """Samples ``first`` to ``stop`` (a copy); silence outside of the stretch."""
        out = np.zeros(stop - first)
        start, end = max(first, 0), min(stop, len(self.samples))
        if end > start:
            out[start - first : end - first] = self.samples[start:end]
        return out


@dataclasses.dataclass(frozen=True)
class Starts:
    """Starts of strokes (arrays of length n), in frames of the stretch looked at."""

    frame: Floats
    u_frames: Floats
    peak: Floats
    peak_frame: Floats
