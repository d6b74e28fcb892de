"""Stability and bias of a striker over a day."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from analysis.average_range import range_constants
from analysis.gauge_study import StudyError


@dataclasses.dataclass(frozen=True, kw_only=True)
class Stability:
    """A striker over a day: bias against a reference, drift, and readings out of control.

    Intervals at ``confidence``; bias is NaN without a reference.
    """

    bias: float
    bias_low: float
    bias_high: float
    drift_per_h: float
    drift_low: float
    drift_high: float
    outside: tuple[int, ...]
    """Readings beyond three moving-range deviations of the drift line."""
    confidence: float
    count: int

    @property
    def standing(self) -> str:
        """``steady``, ``drifts``, ``biased`` or ``out of control``, the gravest first."""
        if self.outside:
            return "out of control"
        if self.drift_low > 0.0 or self.drift_high < 0.0:
            return "drifts"
        if self.bias_low > 0.0 or self.bias_high < 0.0:
            return "biased"
        return "steady"


def stability(
    time_s: ArrayLike, readings: ArrayLike, *, reference: float = math.nan, confidence: float = 0.95
) -> Stability:
    """Judge readings of one striker taken over a day (force, flight or latency of a check stroke).

    Parameters
    ----------
    time_s, readings
        When each was taken, and what was read; at least 5, all finite.
    reference
        What should have been read; NaN: no bias is told.
    confidence
        Of the intervals of bias and drift.

    Notes
    -----
    Bias: t interval of the mean. Drift: least squares. Control: individuals chart about the drift
    line, deviation = mean moving range / 1.128 (NIST/SEMATECH e-Handbook 6.3.2.2, from memory).
    """
    t = np.asarray(time_s, dtype=float)
    x = np.asarray(readings, dtype=float)
    if t.shape != x.shape or x.size < 5 or not (np.isfinite(t).all() and np.isfinite(x).all()):
        raise StudyError(
            f"stability: {x.size} readings at {t.size} times; at least 5 of each, all finite, "
            "are needed"
        )
    order = np.argsort(t, kind="stable")
    hours = t[order] / 3600.0
    fit = stats.linregress(hours, x[order])
    quantile = float(stats.t.ppf(0.5 + confidence / 2.0, x.size - 2))
    residual = x[order] - (fit.intercept + fit.slope * hours)
    sigma = float(np.abs(np.diff(residual)).mean()) / range_constants(2)[0]
    outside = order[np.abs(residual) > 3.0 * sigma] if sigma > 0.0 else np.empty(0, dtype=int)
    bias = float(x.mean()) - reference
    half = float(stats.t.ppf(0.5 + confidence / 2.0, x.size - 1) * x.std(ddof=1) / np.sqrt(x.size))
    return Stability(
        bias=bias,
        bias_low=bias - half,
        bias_high=bias + half,
        drift_per_h=float(fit.slope),
        drift_low=float(fit.slope - quantile * fit.stderr),
        drift_high=float(fit.slope + quantile * fit.stderr),
        outside=tuple(sorted(int(index) for index in outside)),
        confidence=confidence,
        count=int(x.size),
    )
