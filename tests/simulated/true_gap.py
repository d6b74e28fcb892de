"""From which gap on a module truly catches second strokes, told without a curve of any shape."""

from __future__ import annotations

import numpy as np
from scipy import stats
from scipy.optimize import isotonic_regression

_WINDOW = 20


def crossing(x: np.ndarray, hit: np.ndarray, chance: float) -> float:
    """Least x from which on the chance is reached for good.

    By isotonic regression (scipy's pool adjacent violators) above the longest stretch that is below
    the chance beyond doubt.
    """
    order = np.argsort(x)
    x, hit = x[order], hit[order].astype(float)
    hits = np.convolve(hit, np.ones(_WINDOW), "valid")
    below = np.flatnonzero(stats.binom.cdf(hits, _WINDOW, chance) < 1e-4)
    first = below[-1] if below.size else 0
    share = isotonic_regression(hit[first:]).x
    return float(x[first:][np.argmax(share >= chance)])
