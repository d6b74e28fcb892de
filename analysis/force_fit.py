"""Peak force of a striker over its pulse width: a rising curve with its uncertainty.

Below a threshold width the plunger never arrives, and just above it the force climbs steeply, so
log force is fitted by a polynomial of log(width - threshold), the threshold being fitted too.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize_scalar

from analysis.polynomial_fit import Floats, LackOfFit, PolynomialFit, fit_polynomial
from rig.record.bench_fault import BenchError

LEAST_LEVELS = 10
"""With fewer the curve misses more between the widths than its tests at the widths can show."""
LEAST_REPEATS = 2
MOST_DEGREE = 8
_GRID = 2000


class ForceFitError(BenchError):
    """The strokes carry no calibration."""


@dataclasses.dataclass(frozen=True)
class ForceFit:
    """A calibration curve. Nothing is extrapolated: beyond the struck widths all is NaN.

    Attributes
    ----------
    threshold_us
        Width at which the fitted force vanishes.
    least_us, most_us
        Range of widths that was struck.
    degree
        Of the polynomial.
    strokes, levels
        Counts behind it.
    polynomial
        Log force over log(width - threshold).
    """

    threshold_us: float
    least_us: float
    most_us: float
    degree: int
    strokes: int
    levels: int
    polynomial: PolynomialFit

    @property
    def residual_sd(self) -> float:
        """Scatter of single strokes about the curve, of log force: about their relative sd."""
        return self.polynomial.residual_sd

    @property
    def lack_of_fit(self) -> LackOfFit:
        """Test of the curve against the scatter of repeats."""
        return self.polynomial.lack_of_fit

    def log_force(self, width_us: npt.ArrayLike) -> Floats:
        """Log of the curve a little beyond the struck range too, for corrections only.

        NaN at and below the threshold.
        """
        room = np.asarray(width_us, dtype=np.float64) - self.threshold_us
        return self.polynomial(np.log(np.where(room > 0.0, room, np.nan)))

    def _grid(self) -> Floats:
        """Points of the polynomial's own axis over the struck range."""
        low, high = self._x([self.least_us, self.most_us]).tolist()
        return np.linspace(low, high, _GRID)

    def _x(self, width_us: npt.ArrayLike) -> Floats:
        widths = np.asarray(width_us, dtype=np.float64)
        inside = (widths >= self.least_us) & (widths <= self.most_us)
        return np.log(np.where(inside, widths - self.threshold_us, np.nan))

    def force_n(self, width_us: npt.ArrayLike) -> Floats:
        """Peak force at each width; shape of ``width_us``, NaN beyond the struck range."""
        return np.asarray(np.exp(self.polynomial(self._x(width_us))))

    def prediction_n(
        self, width_us: npt.ArrayLike, confidence: float = 0.95
    ) -> tuple[Floats, Floats]:
        """Forces between which one further stroke lies; NaN beyond the struck range."""
        low, high = self.polynomial.prediction(self._x(width_us), confidence)
        return np.asarray(np.exp(low)), np.asarray(np.exp(high))

    def relative_u(self, width_us: npt.ArrayLike) -> Floats:
        """Relative standard uncertainty of the curve: of its fit, and of what it misses.

        A misfit smaller than the scatter of the level means can't be seen in them, so no less
        than half of that is taken for it.
        """
        seen = self.lack_of_fit.misfit_sd
        unseen = 0.5 * self.residual_sd / math.sqrt(self.strokes / self.levels)
        fit = self.polynomial.standard_error(self._x(width_us))
        return np.asarray(np.hypot(fit, max(seen, unseen) if math.isfinite(seen) else unseen))

    def even_widths_us(self, count: int) -> Floats:
        """Widths of forces evenly spaced in their logarithm, from end to end; shape (count,)."""
        ends = self.force_n([self.least_us, self.most_us])
        return self.width_us(np.geomspace(ends[0], ends[1], count))

    def width_us(self, force_n: npt.ArrayLike) -> Floats:
        """Width for each force; shape of ``force_n``, NaN beyond the calibrated range."""
        x = self._grid()
        forces = np.asarray(force_n, dtype=np.float64)
        with np.errstate(divide="ignore", invalid="ignore"):
            y = self.polynomial(x)
            # an end must not fall out of the range by its last bit
            logs = np.log(forces)
            near = np.clip(logs, y[0], y[-1])
            logs = np.where(np.abs(logs - near) < 1e-9, near, logs)
            wanted = np.interp(logs, y, x, left=math.nan, right=math.nan)
        return np.asarray(self.threshold_us + np.exp(wanted))


def fit_force(width_us: npt.ArrayLike, force_n: npt.ArrayLike) -> ForceFit:
    """Fit peak force over pulse width.

    Of the polynomials that rise over the whole range, the one with the least Akaike criterion.

    Parameters
    ----------
    width_us, force_n
        (n,) strokes; equal widths are repeats. Strokes with a NaN are left out.

    Raises
    ------
    ForceFitError
        Fewer than 10 widths or 2 repeats of most of them, or no rising curve fits.
    """
    widths, forces = np.asarray(width_us, dtype=np.float64), np.asarray(force_n, dtype=np.float64)
    good = np.isfinite(widths) & np.isfinite(forces) & (widths > 0.0) & (forces > 0.0)
    widths, forces = widths[good], forces[good]
    levels = np.unique(widths)
    if len(levels) < LEAST_LEVELS or len(widths) < LEAST_REPEATS * len(levels):
        raise ForceFitError(
            f"force over width can't be fitted: {len(widths)} good strokes at {len(levels)} widths "
            f"found; at least {LEAST_LEVELS} widths with {LEAST_REPEATS} strokes each are needed. "
            "Strike more widths between the softest that arrives and the longest pulse"
        )
    # coefficients and threshold leave two levels or more to test the curve
    degrees = range(1, min(MOST_DEGREE, len(levels) - 4) + 1)
    found = [fit for fit in (_fit(widths, np.log(forces), d) for d in degrees) if _rises(fit)]
    if not found:
        raise ForceFitError(
            "no rising curve fits the forces: they don't grow with the pulse width. Check that the "
            "sensor stands under the striker, and that no width is beyond the plunger's arrival, "
            "after which the force can't grow"
        )
    return min(found, key=_information)


def _fit(widths: Floats, log_forces: Floats, degree: int) -> ForceFit:
    least = float(widths.min())

    def at(log_room: float) -> PolynomialFit:
        x = np.log(widths - (least - math.exp(log_room)))
        return fit_polynomial(x, log_forces, degree, further_parameters=1)

    rooms = np.linspace(math.log(0.5), math.log(least), 30)
    scatter = [at(float(room)).residual_sd for room in rooms]
    best = int(np.nanargmin(scatter))
    span = (float(rooms[max(best - 1, 0)]), float(rooms[min(best + 1, len(rooms) - 1)]))
    room = float(minimize_scalar(lambda r: at(r).residual_sd, bounds=span, method="bounded").x)
    if at(room).residual_sd > scatter[best]:
        room = float(rooms[best])
    return ForceFit(
        threshold_us=least - math.exp(room),
        least_us=least,
        most_us=float(widths.max()),
        degree=degree,
        strokes=len(widths),
        levels=len(np.unique(widths)),
        polynomial=at(room),
    )


def _information(fit: ForceFit) -> float:
    """Akaike's criterion, corrected for small samples (Burnham and Anderson 2002, from memory)."""
    parameters = fit.degree + 3  # coefficients, threshold and scatter
    variance = fit.residual_sd**2 * fit.polynomial.freedom / fit.strokes
    left = fit.strokes - parameters - 1
    if left < 1:
        return math.inf
    penalty = 2.0 * parameters * fit.strokes / left
    return fit.strokes * math.log(max(variance, 1e-300)) + penalty


def _rises(fit: ForceFit) -> bool:
    x = fit._grid()
    return bool((fit.polynomial.slope(x) > 0.0).all())
