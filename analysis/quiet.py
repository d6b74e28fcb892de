"""The noise of a recording, taken where it is quiet."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

SEGMENT_HOPS = 120  # 20 ms: the pieces among which the quiet ones are looked for
LEAST_NOISE = 1e-7
"""Digital silence stands for noise of this rms: the last bit of 24."""
MOST_GROWTH = 1.5
"""From stretch to stretch: one without silence must not pass its tails off as noise."""
CORNER_MEDIANS = np.array([1.41, 0.6745, 0.6745])
"""Medians over sigma: of the largest |x| of four normal values, and of |x| itself twice."""


def quiet_hops(mean: Floats, corner: Floats, real: Bools) -> Bools:
    """Hops of the quietest pieces: those within 3 dB of the tenth quietest in a hundred.

    Parameters
    ----------
    mean
        (hops,) means of the signal.
    corner
        (3, hops) corners; the first row counts.
    real
        (hops,) Those that were recorded: what stands for the others says nothing of the noise.
    """
    count = len(mean) // SEGMENT_HOPS
    lead = count * SEGMENT_HOPS
    fast = corner[0, :lead].reshape(count, -1)
    power = mean[:lead].reshape(count, -1).var(axis=1) + (fast**2).mean(axis=1)
    heard = power > 0  # nor does digital silence, as of a gap
    heard &= real[:lead].reshape(count, -1).all(axis=1)
    if not heard.any():
        return np.zeros(len(mean), dtype=bool)
    quiet = heard & (power <= 2.0 * np.quantile(power[heard], 0.1))
    rest = np.zeros(len(mean) - lead, dtype=bool)
    return np.concatenate([np.repeat(quiet, SEGMENT_HOPS), rest])


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

    def hear(
        self, samples: npt.NDArray[np.float32], drone: Floats, quiet: Bools, hop: int
    ) -> float:
        """Take the quiet pieces of a stretch, hum off them, and give the rms.

        ``drone``: hum at the middle of each hop of ``hop`` frames.
        """
        if quiet.any():
            starts = np.flatnonzero(quiet[::SEGMENT_HOPS][: len(quiet) // SEGMENT_HOPS])[:20]
            length = SEGMENT_HOPS * hop
            at = starts[:, None] * length + np.arange(length)
            middle = (np.arange(len(drone)) + 0.5) * hop - 0.5
            clean = samples[at] - np.interp(at, middle, drone)
            rms = max(float(np.sqrt(np.median((clean**2).mean(axis=1)))), LEAST_NOISE)
            self.rms = min(rms, MOST_GROWTH * self.rms) if self._known else rms
            self._known = True
        return self.rms

    def hear_corners(self, corner: Floats, quiet: Bools) -> Floats:
        """Take the corners of the quiet pieces, and give their rms by scale."""
        if quiet.any():
            rms = np.maximum(np.median(corner[:, quiet], axis=1) / CORNER_MEDIANS, LEAST_NOISE)
            if self._corners_known:
                rms = np.minimum(rms, MOST_GROWTH * self.corner_rms)
            self.corner_rms, self._corners_known = rms, True
        return self.corner_rms
