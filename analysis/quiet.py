"""The noise of a recording, taken where it is quiet."""

from __future__ import annotations

import dataclasses
from typing import TypeVar

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
T = TypeVar("T", bound=np.generic)

SEGMENT_HOPS = 120  # 20 ms: the pieces among which the quiet ones are looked for
LEAST_NOISE = 1e-7
"""Digital silence stands for noise of this rms: the last bit of 24."""
MOST_GROWTH = 1.5
"""From stretch to stretch: one without silence must not pass its tails off as noise."""
ENOUGH_HOPS = 2000
"""So many quiet hops tell the corners of noise to 2 %."""
CORNER_MEDIANS = np.array([1.41, 0.6745, 0.6745])
"""Medians over sigma: of the largest |x| of four normal values, and of |x| itself twice."""


@dataclasses.dataclass(frozen=True)
class Pieces:
    """Pieces of a stretch, among which the quiet ones are looked for.

    Attributes
    ----------
    hops
        Hops of the stretch, those after the last whole piece included.
    sharpness
        (pieces,) Mean square of the crests of what is new.
    real
        (pieces,) Recorded all through: what stands for the rest says nothing of the noise.
    """

    hops: int
    sharpness: Floats
    real: Bools

    @classmethod
    def of(cls, crests: Floats, real: Bools) -> Pieces:
        """Take what is new in each hop, and whether that was recorded; (hops,) each."""
        rows = _rows(crests)
        return cls(len(crests), _mean_square(rows), np.asarray(_rows(real).all(axis=1)))

    def quiet_hops(self, mean: Floats) -> Bools:
        """Hops of the quietest pieces: those within 3 dB of the tenth quietest in a hundred.

        ``mean``: (hops,) means of the signal.
        """
        rows = _rows(mean)
        power = _mean_square(rows - rows.mean(axis=1, keepdims=True)) + self.sharpness
        # nor does digital silence, as of a gap
        heard = self.real & (power > 0)
        quiet = np.zeros(self.hops, dtype=bool)
        if heard.any():
            sorted_power = np.sort(power[heard])
            place = 0.1 * (len(sorted_power) - 1)
            tenth = np.interp(place, np.arange(len(sorted_power)), sorted_power)
            _rows(quiet)[heard & (power <= 2.0 * tenth)] = True
        return quiet


def _rows(values: npt.NDArray[T]) -> npt.NDArray[T]:
    """Values of whole pieces, a row each: a view, (pieces, hops of one)."""
    return values[: len(values) // SEGMENT_HOPS * SEGMENT_HOPS].reshape(-1, SEGMENT_HOPS)


def _mean_square(rows: Floats) -> Floats:
    return np.asarray(np.einsum("ij,ij->i", rows, rows) / rows.shape[1])


class NoiseGauge:
    """Rms of the noise and of its corners, as the recording goes on.

    Attributes
    ----------
    rms
        Of the noise, of full scale.
    corner_rms
        (3,) of its corners, by scale.
    """

    def __init__(self) -> None:
        self.rms = LEAST_NOISE
        self.corner_rms = np.full(3, LEAST_NOISE)
        self._known = False
        self._corners_known = False

    def hear(self, samples: Floats, quiet: Bools, hop: int) -> float:
        """Take the quiet pieces of a stretch, hum off it, and give the rms; ``hop`` frames each."""
        if quiet.any():
            starts = np.flatnonzero(quiet[::SEGMENT_HOPS][: len(quiet) // SEGMENT_HOPS])[:20]
            length = SEGMENT_HOPS * hop
            pieces = samples[: len(samples) // length * length].reshape(-1, length)[starts]
            rms = max(float(np.sqrt(np.median(_mean_square(pieces)))), LEAST_NOISE)
            self.rms = min(rms, MOST_GROWTH * self.rms) if self._known else rms
            self._known = True
        return self.rms

    def hear_corners(self, corner: Floats, quiet: Bools) -> Floats:
        """Take the corners of the quiet pieces, and give their rms by scale."""
        if quiet.any():
            hops = np.flatnonzero(quiet)
            some = corner[:, hops[:: max(1, len(hops) // ENOUGH_HOPS)]]
            rms = np.maximum(np.median(some, axis=1) / CORNER_MEDIANS, LEAST_NOISE)
            if self._corners_known:
                rms = np.minimum(rms, MOST_GROWTH * self.corner_rms)
            self.corner_rms, self._corners_known = rms, True
        return self.corner_rms
