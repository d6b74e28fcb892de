"""The exponent of the velocity curve."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats

from analysis.interval import Interval
from analysis.linearity import QUANTISATION_VARIANCE

Array = NDArray[np.float64]


def exponent(
    force: Array, velocity: Array, least_force: float | None, confidence: float
) -> tuple[Interval, dict[str, float]]:
    """Fit ``velocity = 1 + scale * (force - offset) ** exponent`` to strokes that do not clip.

    Parameters
    ----------
    force, velocity
        Strokes of levels between dead zone and saturation, shape (n,).
    least_force
        Offset, if declared; ``None``: fitted between 0 and the least force.
    confidence
        Of the interval.

    Returns
    -------
    interval, parameters
        Student interval of the linearised fit, robust to a spread that varies; NaN below five
        strokes at four forces.
    """
    name = "least squares, Student t, White covariance (HC3)"
    if force.size < 5 or np.unique(force).size < 4 or np.ptp(velocity) < 3:
        return Interval(math.nan, math.nan, math.nan, name), {}
    top, bottom = float(force.max()), float(force.min())
    fixed = least_force is not None and least_force < bottom

    def rest(theta: Array) -> Array:
        offset = float(least_force or 0.0) if fixed else float(theta[2])
        return np.asarray(
            1 + math.exp(theta[0]) * ((force - offset) / (top - offset)) ** theta[1] - velocity
        )

    lower, upper = [0.0, 0.05, 0.0], [math.log(1000), 20.0, bottom * (1 - 1e-6)]
    size = 2 if fixed else 3
    starts = [[math.log(max(velocity.max() - 1, 2)), g, 0.3 * bottom][:size] for g in (0.5, 1, 2)]
    fits = [
        optimize.least_squares(rest, start, bounds=(lower[:size], upper[:size]), x_scale="jac")
        for start in starts
    ]
    best = min(fits, key=lambda fit: float(fit.cost))
    freedom = force.size - size
    # The spread grows with the force, so each stroke brings its own: the covariance of White in
    # the form HC3 (MacKinnon and White 1985, from memory), which allows for leverage.
    jacobian = np.asarray(best.jac, dtype=np.float64)
    bread = np.linalg.pinv(jacobian.T @ jacobian)
    leverage = np.minimum(((jacobian @ bread) * jacobian).sum(axis=1), 0.9)
    squares = np.maximum(best.fun**2, QUANTISATION_VARIANCE) / (1 - leverage) ** 2
    covariance = bread @ (jacobian.T * squares) @ jacobian @ bread
    half = float(stats.t.ppf((1 + confidence) / 2, freedom)) * math.sqrt(covariance[1, 1])
    value = float(best.x[1])
    offset = float(least_force or 0.0) if fixed else float(best.x[2])
    parameters = {
        "offset": offset,
        "velocity_at_top": 1 + math.exp(best.x[0]),
        "top": top,
        "residual_sd": math.sqrt(2 * float(best.cost) / freedom),
    }
    return Interval(value, value - half, value + half, name), parameters
