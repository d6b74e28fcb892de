"""Shapes of a contact pulse's first rise, in bins that widen with the distance from its level.

So one row is fine enough for a sharp rise, and long enough for a slow one and the tail before it.
"""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import numpy.typing as npt

from analysis.rise import AHEAD, BENDS, POWERS

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

BINS = 24
"""Bins of each width: one sample twice, then doubling."""
LONGEST_S, STARTS = 0.0035, 64
"""Longest way from the start to the level, and how many starts are tried on it."""
PRIOR = (0.25, 0.2, 0.2, 0.25, 0.1)
"""Shares of the shapes: slopes are little likelier than Hertz's and rounder contacts, since nothing
tells which a pad gives."""


@functools.cache
def _bin_edges(octaves: int) -> Ints:
    """First sample of each bin of a row, and the row's length: (bins + 1,)."""
    widths = [1] * BINS
    for octave in range(octaves):
        widths += [2**octave] * BINS
    return np.concatenate([[0], np.cumsum(widths[::-1])])


def foot_length(octaves: int) -> int:
    """Samples in a row with so many doublings of its bins."""
    return BINS << octaves


def binned(rows: Floats) -> Floats:
    """Give sums over bins, scaled to have noise as large as that of the samples: (..., bins)."""
    edges = _bin_edges(round(np.log2(rows.shape[-1] / BINS)))
    return np.asarray(np.add.reduceat(rows, edges[:-1], axis=-1) / np.sqrt(np.diff(edges)))


@dataclasses.dataclass(frozen=True)
class Shapes:
    """Pulses, one for each start and shape (K of them): 1 at the level."""

    binned: Floats  # (bins, K)
    start: Floats  # (K,) samples before the level
    scale: Floats
    power: Floats
    bend: Floats
    angle: Floats  # from the start to the level, where that to the crest is a right one
    spacing: Floats
    prior: Floats  # logarithm

    def passing(self, which: Ints, share: Floats) -> Floats:
        """Samples from the level to where pulses pass a share of it."""
        angle = self.angle[which]
        root = np.where(
            self.bend[which] > 0,
            4.0 * share / (1.0 + np.sqrt(1.0 + 8.0 * share)),
            np.arcsin(share ** (1.0 / self.power[which]) * np.sin(angle)) / angle,
        )
        return np.asarray(self.scale[which] * root - self.start[which])


@functools.lru_cache(maxsize=16)
def shapes_of(length: int, height: float, rate_hz: float) -> Shapes:
    """Give the pulses for rows of so many samples, whose level is so much of the crest."""
    n = np.arange(length) - (length - 1 - AHEAD)
    longest = min(LONGEST_S * rate_hz, 0.8 * length)
    starts = np.concatenate([np.arange(-1.8, 3.0, 0.2), np.geomspace(3.0, longest, STARTS)])
    scale = np.maximum(starts, 1.0)
    x = np.maximum(n + starts[:, None], 0.0) / scale[:, None]
    angles = [float(np.arcsin(height ** (1.0 / power))) for power in POWERS]
    pulses = [
        binned(
            (np.sin(np.minimum(angle * x, 0.5 * np.pi)) / np.sin(angle)) ** power
            * ((1.0 + bend * x) / (1.0 + bend))
        )
        for power, bend, angle in zip(POWERS, BENDS, angles, strict=True)
    ]
    spacing, kinds = np.gradient(starts), len(POWERS)
    return Shapes(
        binned=np.concatenate(pulses).T,
        start=np.tile(starts, kinds),
        scale=np.tile(scale, kinds),
        power=np.repeat(POWERS, len(starts)),
        bend=np.repeat(BENDS, len(starts)),
        angle=np.repeat(angles, len(starts)),
        spacing=np.tile(spacing, kinds),
        prior=np.log(np.concatenate([spacing * share for share in PRIOR])),
    )
