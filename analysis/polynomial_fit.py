"""Least-squares polynomial with its uncertainties, and the test whether it fits at all."""

from __future__ import annotations

import dataclasses
import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import stats

Floats = npt.NDArray[np.float64]


class LackOfFit(NamedTuple):
    """Test of a curve against the scatter of repeats at the same point.

    ``ratio``: mean square of the level means about the curve over that of repeats about their
    means; ``p``: chance of a larger one if the curve fits. Both NaN without repeats, or with no
    more levels than coefficients.
    """

    ratio: float
    p: float
    freedom: int
    pure_freedom: int
    misfit_sd: float
    """What the curve misses the levels by, beyond the scatter of their means; NaN as above."""


@dataclasses.dataclass(frozen=True)
class PolynomialFit:
    """A fitted polynomial.

    Attributes
    ----------
    coefficients, standard_errors
        Of 1, x, x², …
    residual_sd, freedom
        Scatter about the curve, and its degrees of freedom; NaN and 0 when none are left.
    lack_of_fit
        Test against repeats.
    """

    coefficients: Floats
    standard_errors: Floats
    residual_sd: float
    freedom: int
    lack_of_fit: LackOfFit
    _middle: float
    _half: float
    _scaled: Floats
    _inverse: Floats

    def __call__(self, x: npt.ArrayLike) -> Floats:
        """Value of the polynomial; shape of ``x``."""
        return np.asarray(np.polynomial.polynomial.polyval(self._t(x), self._scaled))

    def slope(self, x: npt.ArrayLike) -> Floats:
        """Derivative by x; shape of ``x``."""
        steep = np.polynomial.polynomial.polyder(self._scaled)
        return np.asarray(np.polynomial.polynomial.polyval(self._t(x), steep) / self._half)

    def standard_error(self, x: npt.ArrayLike) -> Floats:
        """Standard uncertainty of the curve at ``x``, from the scatter; shape of ``x``."""
        rows = np.vander(self._t(x).ravel(), len(self._scaled), increasing=True)
        share = np.einsum("ij,jk,ik->i", rows, self._inverse, rows)
        return np.asarray(self.residual_sd * np.sqrt(share)).reshape(np.shape(x))

    def prediction(self, x: npt.ArrayLike, confidence: float = 0.95) -> tuple[Floats, Floats]:
        """Limits in which one further observation lies with this confidence; shape of ``x``.

        Value ± t · √(s² + u²), Student's t (NIST/SEMATECH e-Handbook 4.5.1.2).
        """
        value = self(x)
        reach = float(stats.t.ppf(0.5 + confidence / 2.0, max(self.freedom, 1)))
        half = reach * np.hypot(self.residual_sd, self.standard_error(x))
        return np.asarray(value - half), np.asarray(value + half)

    def _t(self, x: npt.ArrayLike) -> Floats:
        return (np.asarray(x, dtype=np.float64) - self._middle) / self._half


def fit_polynomial(
    x: npt.ArrayLike, y: npt.ArrayLike, degree: int, *, further_parameters: int = 0
) -> PolynomialFit:
    """Fit a polynomial by least squares, all observations alike.

    Parameters
    ----------
    x, y
        (n,) observations; equal x are repeats.
    degree
        From 0.
    further_parameters
        Parameters that were fitted to the same data elsewhere (a shift of x); they cost degrees of
        freedom.

    Raises
    ------
    ValueError
        Shapes differ, something isn't finite, or fewer levels than coefficients.
    """
    at, seen = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if at.ndim != 1 or at.shape != seen.shape:
        raise ValueError(f"x of shape {at.shape} and y of shape {seen.shape}; one equal row each")
    if not (np.isfinite(at).all() and np.isfinite(seen).all()):
        raise ValueError("x and y must be finite")
    levels, of_level = np.unique(at, return_inverse=True)
    if len(levels) <= degree:
        raise ValueError(f"{len(levels)} levels of x; degree {degree} needs {degree + 1}")
    middle = 0.5 * float(levels[0] + levels[-1])
    half = max(0.5 * float(levels[-1] - levels[0]), 1e-300) if len(levels) > 1 else 1.0
    # x within ±1, and QR: the normal equations of raw powers lose half of the digits
    basis = np.vander((at - middle) / half, degree + 1, increasing=True)
    q, r = np.linalg.qr(basis)
    scaled = np.linalg.solve(r, q.T @ seen)
    inverse = np.linalg.inv(r)
    inverse = inverse @ inverse.T
    rest = seen - basis @ scaled
    squares = float(rest @ rest)
    freedom = max(len(at) - degree - 1 - further_parameters, 0)
    sd = math.sqrt(squares / freedom) if freedom else math.nan
    back = _to_powers_of_x(degree, middle, half)
    return PolynomialFit(
        coefficients=back @ scaled,
        standard_errors=sd * np.sqrt(np.einsum("ij,jk,ik->i", back, inverse, back)),
        residual_sd=sd,
        freedom=freedom,
        lack_of_fit=_lack_of_fit(seen, of_level, squares, degree + 1 + further_parameters),
        _middle=middle,
        _half=half,
        _scaled=scaled,
        _inverse=inverse,
    )


def _to_powers_of_x(degree: int, middle: float, half: float) -> Floats:
    """Matrix that turns coefficients of ((x - middle) / half)**k into those of x**k."""
    back = np.zeros((degree + 1, degree + 1))
    power = np.array([1.0])
    for k in range(degree + 1):
        back[: len(power), k] = power
        power = np.convolve(power, [-middle / half, 1.0 / half])
    return back


def _lack_of_fit(
    seen: Floats, of_level: npt.NDArray[np.intp], squares: float, parameters: int
) -> LackOfFit:
    """Split the sum of squares into repeats and misfit (e-Handbook 4.4.4.6)."""
    counts = np.bincount(of_level)
    means = np.bincount(of_level, weights=seen) / counts
    pure = float(((seen - means[of_level]) ** 2).sum())
    freedom, pure_freedom = len(counts) - parameters, len(seen) - len(counts)
    if freedom < 1 or pure_freedom < 1 or not pure > 0.0:
        return LackOfFit(math.nan, math.nan, max(freedom, 0), max(pure_freedom, 0), math.nan)
    miss, scatter = max(squares - pure, 0.0) / freedom, pure / pure_freedom
    ratio = miss / scatter
    repeats = len(seen) / len(counts)
    return LackOfFit(
        ratio,
        float(stats.f.sf(ratio, freedom, pure_freedom)),
        freedom,
        pure_freedom,
        math.sqrt(max(miss - scatter, 0.0) / repeats),
    )
