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
from numpy.lib.stride_tricks import sliding_window_view

Floats = npt.NDArray[np.float64]

ORDER = 16
ROWS, STEP = 1500, 7
"""Rows taken from each stretch; one may begin so many samples after another."""
BLOCKS = 1000
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
        # each row: a sample, and those before it
        rows = sliding_window_view(samples, ORDER + 1)[:-1:STEP]
        rms = np.sqrt(np.einsum("ij,ij->i", rows[:, :-1], rows[:, :-1]) / ORDER)
        loud = np.flatnonzero(rms > LOUD * noise_rms)
        if len(loud) < 20 * ORDER:
            return
        loud = loud[:: max(1, len(loud) // ROWS)]
        rows = rows[loud, ::-1] / rms[loud, None]
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
        count = -(-len(samples) // ORDER)
        blocks = np.zeros((count + 1, ORDER))  # the first stands for what was before
        blocks.ravel()[ORDER : ORDER + len(samples)] = samples
        own, before = self._block_weights()
        out = np.empty((count, ORDER))
        for first in range(0, count, BLOCKS):
            # small products, which the linear algebra leaves to one processor
            last = min(first + BLOCKS, count)
            np.matmul(blocks[first + 1 : last + 1], own, out=out[first:last])
            out[first:last] += blocks[first:last] @ before
        out[:1] = 0.0
        return out.ravel()[: len(samples)]

    def _block_weights(self) -> tuple[Floats, Floats]:
        """Weights of ``ORDER`` samples, and of as many before them, in what is new: square."""
        filter_ = np.concatenate([[1.0], -self.taps, np.zeros(ORDER - 1)])
        lag = np.arange(ORDER) - np.arange(ORDER)[:, None]
        return np.where(lag >= 0, filter_[lag], 0.0), filter_[lag + ORDER]

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
        last = RISE_SAMPLES[1]
        if start < ORDER or start + last > len(samples):
            return 0.0
        return float(self._rise_weights @ samples[start - ORDER : start + last])

    @functools.cached_property
    def _rise_weights(self) -> Floats:
        """Weights of ``ORDER`` samples before a start, and of those after it, in its rise."""
        unit = np.eye(ORDER).ravel()
        starts = ORDER * np.arange(1, ORDER + 1)
        first, last = RISE_SAMPLES
        foretold = self.continue_from(unit, starts, last)[:, first:].mean(axis=1)
        there = np.where(np.arange(last) >= first, 1.0 / (last - first), 0.0)
        return np.concatenate([-foretold, there])
