"""Force, pulse width and flight of one striker, by its calibration on this bench."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.interpolate import PchipInterpolator

from rig.record.bench_file import StrikerFacts

Floats = npt.NDArray[np.float64]


class ForceWidth:
    """Turns forces into pulse widths and back, monotone between the calibrated points.

    The interpolation is piecewise cubic and monotone (Fritsch and Carlson; scipy's PCHIP) on
    logarithms of both, so that a power law between two points stays one. Nothing is extrapolated:
    outside the calibrated range every answer is NaN.

    Parameters
    ----------
    striker
        Its facts; without a calibration every force is NaN.
    """

    def __init__(self, striker: StrikerFacts) -> None:
        self.striker = striker
        table = striker.calibration
        self.calibrated = table is not None
        self.least_n, self.most_n = np.nan, np.nan
        if table is None:
            return
        self.least_n, self.most_n = table.forces_n[0], table.forces_n[-1]
        widths, forces = np.log(table.widths_us), np.log(table.forces_n)
        self._width_of = PchipInterpolator(forces, widths, extrapolate=False)
        self._force_of = PchipInterpolator(widths, forces, extrapolate=False)
        self._ends_us = (table.widths_us[0], table.widths_us[-1])
        self._flight_of = PchipInterpolator(widths, table.flights_ms) if table.flights_ms else None

    def width_us(self, force_n: npt.ArrayLike) -> Floats:
        """Pulse width for each force, in whole board ticks of 0.5 µs; NaN out of range."""
        forces = np.asarray(force_n, dtype=np.float64)
        if not self.calibrated:
            return np.full(forces.shape, np.nan)
        # an end given in decimals must not fall out of the range by its last bit
        inside = np.clip(forces, self.least_n, self.most_n)
        forces = np.where(np.isclose(forces, inside, rtol=1e-9, atol=0.0), inside, forces)
        with np.errstate(invalid="ignore", divide="ignore"):
            widths = np.exp(self._width_of(np.log(forces)))
        return np.asarray(np.round(widths * 2.0) / 2.0, dtype=np.float64)

    def force_n(self, width_us: npt.ArrayLike) -> Floats:
        """Peak force for each pulse width; NaN out of range."""
        widths = np.asarray(width_us, dtype=np.float64)
        if not self.calibrated:
            return np.full(widths.shape, np.nan)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(np.exp(self._force_of(np.log(widths))), dtype=np.float64)

    def flight_ms(self, width_us: npt.ArrayLike) -> Floats:
        """Coil on to contact for each pulse width.

        Measured where the calibration has flights (held constant beyond its ends), else the
        striker's rough figure.
        """
        widths = np.asarray(width_us, dtype=np.float64)
        if not self.calibrated or self._flight_of is None:
            return np.full(widths.shape, self.striker.flight_ms)
        inside = np.clip(widths, *self._ends_us)
        return np.asarray(self._flight_of(np.log(inside)), dtype=np.float64)
