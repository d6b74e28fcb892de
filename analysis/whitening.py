"""What a ringing pad will do next: a linear predictor learnt from its own tails.

A tail is a sum of damped modes; whatever their levels and phases, each sample follows from the few
before it with the same coefficients. What doesn't follow is new: a stroke. The predictor is least
squares over rows of tails, each divided by its own level so that loud strokes don't rule, and is
learnt anew as the recording goes on.
"""

from __future__ import annotations

import functools

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

ORDER = 16
ROWS = 1500
"""Rows taken from each stretch."""
KEEP = 0.8
"""Share of what was learnt that is kept from stretch to stretch."""
RISE_SAMPLES = (8, 14)
"""A rise is the mean of these samples after a start: 0.3 to 0.6 ms."""
LOUD = 6.0
"""A row is of a tail when its rms is so many times that of the noise."""
OUTLIER = 4.0
"""Rows missed by more than so many medians hold a stroke, not a tail."""


class Predictor:
    """Learns from stretches of samples and gives what it could not foresee."""

    def __init__(self) -> None:
        self._normal = np.zeros((ORDER, ORDER))
        self._right = np.zeros(ORDER)
        self.taps = np.concatenate([[2.0, -1.0], np.zeros(ORDER - 2)])
        """Weights of the samples before, nearest first; at first those of a straight line."""

    def learn(self, samples: Floats, noise_rms: float) -> None:
        """Take a stretch in (samples,), with the rms of its noise."""
        starts = np.arange(0, len(samples) - ORDER - 1, 7)
        power = np.concatenate([[0.0], np.cumsum(samples**2)])
        rms = np.sqrt((power[starts + ORDER] - power[starts]) / ORDER)
        loud = np.flatnonzero(rms > LOUD * noise_rms)
        if len(loud) < 20 * ORDER:
            return
        loud = loud[:: max(1, len(loud) // ROWS)]
        rows = samples[starts[loud][:, None] + np.arange(ORDER, -1, -1)] / rms[loud][:, None]
        missed = np.abs(rows[:, 0] - rows[:, 1:] @ self.taps)
        for _ in range(2):
            good = rows[missed <= OUTLIER * np.median(missed)]
            # noise in the rows: known, so that quiet tails can't teach what isn't there
            normal = self._normal + good[:, 1:].T @ good[:, 1:]
            right = self._right + good[:, 1:].T @ good[:, 0]
            ridge = 1e-9 * np.trace(normal) / ORDER
            self.taps = np.linalg.solve(normal + ridge * np.eye(ORDER), right)
            missed = np.abs(rows[:, 0] - rows[:, 1:] @ self.taps)
        self.__dict__.pop("_rise_weights", None)
        self._normal, self._right = KEEP * normal, KEEP * right

    def novelty(self, samples: Floats) -> Floats:
        """Give what was not foreseen, (samples,); the first ``ORDER`` are 0."""
        out = samples.copy()
        for lag, tap in enumerate(self.taps, start=1):
            out[lag:] -= tap * samples[:-lag]
        out[:ORDER] = 0.0
        return out

    def continue_from(
        self, samples: Floats, starts: npt.NDArray[np.int64], count: int
    ) -> npt.NDArray[np.float64]:
        """Foretell ``count`` samples from each start on: (starts, count), nothing new assumed."""
        places = starts[:, None] - 1 - np.arange(ORDER)
        past = np.where(places >= 0, samples[np.clip(places, 0, len(samples) - 1)], 0.0)
        out = np.zeros((len(starts), count))
        for k in range(count):
            out[:, k] = past @ self.taps
            past[:, 1:] = past[:, :-1]
            past[:, 0] = out[:, k]
        return out

    def rise(self, samples: Floats, start: int) -> float:
        """By how much the samples leave what is foretold from ``start`` on, within half a ms."""
        first, last = RISE_SAMPLES
        if start < ORDER or start + last > len(samples):
            return 0.0
        foretold = self._rise_weights @ samples[start - ORDER : start][::-1]
        return float(samples[start + first : start + last].mean() - foretold)

    @functools.cached_property
    def _rise_weights(self) -> Floats:
        """Mean foretold over ``RISE_SAMPLES``, as weights of the samples before, nearest first."""
        unit = np.eye(ORDER)[:, ::-1].ravel()
        starts = ORDER * np.arange(1, ORDER + 1)
        ahead = self.continue_from(unit, starts, RISE_SAMPLES[1])
        return np.asarray(ahead[:, RISE_SAMPLES[0] :].mean(axis=1))
