"""By how much noise lifts the peak of a stroke, and what the peak is without it.

A peak is the highest of many samples, and noise is added to each: the highest of the sums lies
above that of the signal. By how much depends on how blunt the peak is and how fast the noise
changes; so it is told by what the noise that was recorded does to the loudest strokes that were.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.detector import Envelopes

Array = NDArray[np.float64]

LOUDEST = 12
"""Strokes that tell how blunt a peak is; the louder, the less of it is noise."""
DRAWS = 160
"""Stretches of noise put onto them, for each level."""
_LEVELS = 30
_TAIL = 0.05
"""Share of its peak below which a stroke's sound is taken for none beside the noise."""
_SEED = 1


class NoiseLift:
    """Expected peaks of strokes over noise, for all levels of the stroke without it.

    Parameters
    ----------
    sounds
        Strokes on one sensor, each ringing out alone.
    silence
        Shape (samples,): what that sensor gives while nothing is struck.
    sample_rate_hz
        Of the silence. With less silence than a stroke lasts, noise is not known and lifts nothing.
    """

    def __init__(self, sounds: Envelopes, silence: ArrayLike, sample_rate_hz: float) -> None:
        quiet = np.asarray(silence, dtype=np.float32).ravel()
        own = sounds.level[:, sounds.onset :]
        peak = own.max(axis=1, initial=0.0)
        block = max(1, round(sample_rate_hz / sounds.rate_hz))
        count = quiet.size // block
        self._seen = self._lift = np.zeros(0)
        if not (peak > 0.0).any() or count <= own.shape[1]:
            return
        loudest = np.argsort(peak, kind="stable")[-LOUDEST:]
        loudest = loudest[peak[loudest] > 0.0]
        # each has noise on it, which makes a peak look sharper; their mean has little
        shape = (own[loudest] / peak[loudest, None]).mean(axis=0)
        shape /= shape.max()
        parts = quiet[: count * block].reshape(count, block)
        up, down = parts.max(axis=1), -parts.min(axis=1)
        rng = np.random.default_rng(_SEED)
        begin = rng.integers(0, count - own.shape[1] + 1, DRAWS)[:, None]
        place = begin + np.arange(own.shape[1])[None, :]
        # a peak upwards and one downwards are as likely
        turned = rng.random(DRAWS)[:, None] < 0.5
        with_it = np.where(turned, down[place], up[place])
        against = np.where(turned, up[place], down[place])
        rms = float(np.sqrt(np.mean(quiet.astype(float) ** 2)))
        if not rms > 0.0:
            return
        tail = shape < _TAIL
        beside = np.maximum(with_it, against)[:, tail].max(axis=1, initial=0.0)
        shape, with_it = shape[~tail], with_it[:, ~tail]
        levels = np.geomspace(0.1 * rms, max(2.0 * float(peak.max()), rms), _LEVELS)
        highest = [np.maximum((level * shape + with_it).max(axis=1), beside) for level in levels]
        lifted = np.log(np.maximum(highest, 1e-12)).mean(axis=1)
        # by chance of the draws alone a louder stroke could seem to peak lower
        self._seen = np.maximum.accumulate(lifted)
        self._lift = 20.0 / math.log(10.0) * (self._seen - np.log(levels))

    def lift_db(self, peak: ArrayLike) -> Array:
        """By how much noise has lifted these peaks on the average, in dB; 0: noise not known."""
        seen = np.asarray(peak, dtype=float)
        if self._seen.size == 0:
            return np.zeros(seen.shape)
        found = np.interp(np.log(np.maximum(seen, 1e-12)), self._seen, self._lift)
        return np.asarray(found, dtype=float)
