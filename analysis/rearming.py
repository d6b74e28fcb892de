"""From which dead time on strokes no longer double, their spread from stroke to stroke included.

The strokes of a run are a sample: the largest of them says where these ended, not where the next
will. So each group of strokes alike gives, for every instant after the trigger, the mean and the
spread of its level over its peak, and from these the chance that a stroke to come passes the
re-arming level there. Noise of the module's own, which the bench does not hear, widens the spread.
"""

from __future__ import annotations

import dataclasses

import numpy as np
from numpy.typing import NDArray
from scipy import special

from analysis.detector import Envelopes
from analysis.sensor import Noise

Array = NDArray[np.float64]

EXPECTED_DOUBLES = 0.1
"""Doubles that may be expected in as many strokes again: one in ten such runs.

In truth fewer, since block maxima lie above the single readings of a module's converter."""
MODULE_NOISE = 0.8
"""Noise of the module's own, over that of the sensor; an assumption, no source."""
LEAST_ALIKE = 5
"""Strokes of one force whose spread is told by themselves; fewer are taken to spread by noise."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Rises:
    """How strokes to come rise over their own peak, one row a group of strokes alike.

    Attributes
    ----------
    count
        Strokes, shape (groups,).
    place
        Samples after the trigger, beyond the peak window, shape (instants,).
    ratio, spread
        Level over the peak, expected and standard deviation, shape (groups, instants).
    freedom
        Degrees of freedom of the spread; same shape.
    over_threshold
        Chance that the level is above the threshold; same shape.
    rate_hz
        Of the samples.
    """

    count: Array
    place: Array
    ratio: Array
    spread: Array
    freedom: Array
    over_threshold: Array
    rate_hz: float

    def doubles(self, dead_n: int, release_ms: float) -> float:
        """Return the doubles expected in as many strokes, with a dead time in samples.

        A stroke doubles where its level is above the threshold and above a level that falls from
        its peak since the end of the dead time: of all instants the likeliest counts, and of its
        two conditions the less likely.
        """
        first = int(np.searchsorted(self.place, dead_n))
        if first == self.place.size:
            return 0.0
        age = (self.place[first:] - dead_n) / max(1e-9, release_ms * self.rate_hz / 1e3)
        short = (np.exp(-age) - self.ratio[:, first:]) / self.spread[:, first:]
        above = special.stdtr(self.freedom[:, first:], -short)
        chance = np.minimum(above, self.over_threshold[:, first:]).max(axis=1)
        return float((self.count * chance).sum())

    def least_dead_ms(self, release_ms: float, expected: float = EXPECTED_DOUBLES) -> float:
        """Return the shortest dead time with no more doubles than so many; 0 where none needs one.

        A longer dead time never doubles more, so halving the span finds it.
        """
        low, high = -1, int(self.place[-1]) + 1 if self.place.size else 0
        while high - low > 1:
            middle = (low + high) // 2
            if self.doubles(middle, release_ms) <= expected:
                high = middle
            else:
                low = middle
        return high * 1e3 / self.rate_hz


def rises(
    strokes: Envelopes, noise: Noise, threshold_percent: float, window_ms: float, gain_db: float
) -> Rises:
    """Describe the strokes that trigger, by groups of one force; no instants where none does.

    The spread is that of the group with the error of its mean, and the module's own noise, in
    squares; its degrees of freedom follow Welch and Satterthwaite (GUM G.4.1, from memory), the
    noise taken as known. A group of fewer than ``LEAST_ALIKE`` or of no known force is taken
    stroke by stroke, with the sensor's noise as its spread.
    """
    scaled = strokes.scaled(gain_db)
    level, threshold = scaled.level, threshold_percent / 100.0
    running = np.maximum.accumulate(level, axis=1)
    heard = np.flatnonzero(running[:, -1] > threshold)
    trigger = (running[heard] > threshold).argmax(axis=1)
    window = max(1, scaled.samples_of(window_ms))
    end = np.minimum(trigger + window, level.shape[1])
    peak = running[heard, end - 1].astype(float)
    length = level.shape[1] - int(trigger.max(initial=0))
    after = trigger[:, None] + np.arange(min(window, length), length)
    level = level[heard[:, None], after].astype(float)
    sensor = noise.rms * 10.0 ** (gain_db / 20.0)
    module = MODULE_NOISE * sensor
    rows = []
    for group in _alike(strokes.force_n[heard]):
        count, own, top = group.size, level[group], float(peak[group].mean())
        over = own / peak[group, None]
        ratio, high = over.mean(axis=0), own.mean(axis=0)
        # noise lifts the level, and the peak that it is held against
        twice = 1.0 + np.minimum(ratio, 1.0) ** 2
        if count < LEAST_ALIKE:
            of_ratio, of_level = (sensor / top) ** 2 * twice, np.full(high.shape, sensor**2)
        else:
            of_ratio = over.var(axis=0, ddof=1) * (1.0 + 1.0 / count)
            of_level = own.var(axis=0, ddof=1) * (1.0 + 1.0 / count)
        variance = np.maximum(of_ratio + (module / top) ** 2 * twice, 1e-12)
        known = count < LEAST_ALIKE
        freedom = 1e6 if known else (count - 1) * (variance / np.maximum(of_ratio, 1e-12)) ** 2
        by_threshold = np.sqrt(np.maximum(of_level + module**2, 1e-12))
        rows.append(
            (
                np.full(ratio.shape, float(count)),
                ratio,
                np.sqrt(variance),
                np.minimum(freedom, 1e6) * np.ones_like(ratio),
                special.ndtr((high - threshold) / by_threshold),
            )
        )
    table = np.array(rows).reshape(len(rows), 5, length - min(window, length))
    # what lies far under the threshold can't trigger, and need not be reckoned
    alive = (table[:, 4] > EXPECTED_DOUBLES / 100.0 / max(1, heard.size)).any(axis=0)
    table = table[:, :, alive]
    return Rises(
        count=table[:, 0, 0] if table.size else np.zeros(len(rows)),
        place=np.arange(min(window, length), length, dtype=float)[alive],
        ratio=table[:, 1],
        spread=table[:, 2],
        freedom=table[:, 3],
        over_threshold=table[:, 4],
        rate_hz=strokes.rate_hz,
    )


def _alike(force_n: Array) -> list[NDArray[np.int64]]:
    """Return the rows of each force; rows of too few, or of no known force, one by one."""
    groups = [np.flatnonzero(force_n == force) for force in np.unique(force_n)]
    alike = [group for group in groups if group.size >= LEAST_ALIKE]
    alone = np.setdiff1d(np.arange(force_n.size), np.concatenate([*alike, []]))
    return alike + [np.array([row], dtype=np.int64) for row in alone]
