"""The drone of a channel: its hum and offset, told together with where it is quiet."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis.hum import LEAST_DETUNING_HZ, MAINS_HZ, find_hum
from analysis.quiet import Pieces

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

HUM_PASSES = 5


class Drone:
    """Tells the drone of successive stretches; the mains found in one is tried alone in the next.

    Parameters
    ----------
    hop_s
        Time of a hop.
    """

    def __init__(self, hop_s: float) -> None:
        self._hop_s = hop_s
        self._mains_hz: tuple[float, ...] = MAINS_HZ

    def hear(self, mean: Floats, pieces: Pieces) -> tuple[Floats, Bools]:
        """Give hum and offset at each hop, and where it is quiet, of hop means: both (hops,)."""
        quiet = pieces.quiet_hops(mean)
        hum = find_hum(mean, quiet, self._hop_s, self._mains_hz)
        drone = hum.over(len(mean), self._hop_s)
        left = np.inf
        for _ in range(HUM_PASSES if hum.mains_hz else 0):
            # under hum all is loud: what is quiet shows only once most of it is gone
            clean = mean - drone
            heard, quiet = quiet, pieces.quiet_hops(clean)
            if np.array_equal(quiet, heard) and abs(hum.detuning_hz()) <= LEAST_DETUNING_HZ:
                break
            before, left = left, float(np.var(clean[quiet])) if quiet.any() else 0.0
            if left > 0.9 * before:
                break
            hum = find_hum(mean, quiet, self._hop_s, (hum.mains_hz,))
            drone = hum.over(len(mean), self._hop_s)
            if not hum.mains_hz:
                break
        if hum.mains_hz:
            self._mains_hz = (min(MAINS_HZ, key=lambda hz: abs(hz - hum.mains_hz)),)
        return drone, quiet
