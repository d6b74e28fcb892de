"""The foot of a contact pulse, below one sample, on a smooth tail that isn't known.

A contact pulse rises as a power of the time since its start, or as a slope that steepens, and bends
over towards its crest. What it stands on is smooth: nothing, drift, what is left of hum, the weak
tail of an earlier stroke. Which of all these it is isn't known, so all are fitted: each start and
shape on a grid, on tails (Gaussian processes) of several strengths and smoothnesses. Their marginal
likelihoods weigh them; the mean is the estimate and the spread its uncertainty, that of the unknown
shape and tail included (Bayesian model averaging).

Source: Rasmussen and Williams, Gaussian Processes for Machine Learning (2006), eq. 2.30 (marginal
likelihood), section 2.7 (explicit basis functions), eq. 4.9 (squared exponential), appendix A.3
(matrix inversion lemma). From memory.
"""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import numpy.typing as npt

from analysis.pulse_shapes import BINS, Shapes, binned, foot_length, shapes_of
from analysis.rise import AHEAD, SHAPE_ERROR, SHAPE_U, product

Floats = npt.NDArray[np.float64]

HEIGHTS = (0.02, 0.08, 0.2, 0.4, 0.6)
"""Level over the crest, for which shapes are made ready; the nearest is used."""
TALLNESSES = (6.0, 10.0, 20.0, 40.0, 80.0)
"""The same of level over noise."""
TAILS_S = (0.0006, 0.002)
"""Times over which tails are smooth ..."""
TAILS_NOISE = (0.7, 3.0, 12.0)
"""... and their rms over that of the noise."""
TAIL_HZ, PERIOD = 640.0, 1.5
"""Tails are sums of cosines up to that frequency, with so many rows to half a period of the
first."""
NO_TAIL = 0.3
"""Prior chance that there is none; the others share the rest."""
GAIN_SPREAD = 0.5
"""Prior spread of the pulse's height at the level, about the level: the tail does the rest."""
UNLIKELY = 12.0
"""Logarithm of how much less likely than the best a fit is that counts for nothing."""
FEW = 8
"""Rows at once, which fit the processor's cache."""


@dataclasses.dataclass(frozen=True)
class _Tails:
    """Tails of several kinds (M, the first of them none), as sums of cosines (J)."""

    cosines: Floats  # (bins, J)
    inverse: Floats  # (M, J, J): of the precision of the cosines' heights, given a row
    volume: Floats  # (M,) logarithm of the prior chance and of what the tail's freedom costs


@functools.lru_cache(maxsize=8)
def tails_of(length: int, rate_hz: float) -> _Tails:
    """Give the smooth tails for rows of so many samples."""
    period_s = PERIOD * length / rate_hz
    hz = np.arange(int(2.0 * period_s * TAIL_HZ) + 1) / (2.0 * period_s)
    at_s = np.arange(length) / rate_hz + 0.5 * (period_s - length / rate_hz)
    cosines = binned(np.cos(2.0 * np.pi * hz[:, None] * at_s)).T
    gram = cosines.T @ cosines
    kinds = [np.zeros(len(hz))]
    for smooth_s in TAILS_S:
        power = np.exp(-0.5 * (2.0 * np.pi * hz * smooth_s) ** 2)
        power /= power[0] + 0.5 * power[1:].sum()
        kinds += [rms**2 * power for rms in TAILS_NOISE]
    chance = np.full(len(kinds), (1.0 - NO_TAIL) / (len(kinds) - 1))
    chance[0] = NO_TAIL
    root = np.sqrt(kinds)
    inner = np.eye(len(hz)) + root[:, :, None] * gram * root[:, None, :]
    inverse = root[:, :, None] * np.linalg.inv(inner) * root[:, None, :]
    return _Tails(cosines, inverse, np.log(chance) - 0.5 * np.linalg.slogdet(inner)[1])


@dataclasses.dataclass(frozen=True)
class _Fits:
    """All pairs of tail and shape (M * K), made ready."""

    pull: Floats  # (J, M * K) what a tail takes of a shape
    precision: Floats  # (M * K,) of the pulse's height, given a row
    constant: Floats  # (M * K,) logarithm of all that depends on no row


@functools.lru_cache(maxsize=16)
def fits_of(length: int, height: float, rate_hz: float) -> _Fits:
    """Give what no row changes of the fits of all these pulses on all these tails."""
    shapes, tails = shapes_of(length, height, rate_hz), tails_of(length, rate_hz)
    across = tails.cosines.T @ shapes.binned
    pull = tails.inverse @ across
    precision = (shapes.binned**2).sum(axis=0) - (across * pull).sum(axis=1)
    constant = tails.volume[:, None] + shapes.prior
    return _Fits(np.concatenate(list(pull), axis=1), precision.ravel(), constant.ravel())


@functools.lru_cache(maxsize=64)
def _heights(
    length: int, height: float, rate_hz: float, tallness: float
) -> tuple[float, Floats, Floats]:
    """Precision of the prior of heights; variance of the height, and constant with it: (M * K,)."""
    fits = fits_of(length, height, rate_hz)
    tightness = (GAIN_SPREAD * tallness) ** -2
    precision = fits.precision + tightness
    return tightness, 1.0 / precision, fits.constant - 0.5 * np.log(precision / tightness)


def fit_feet(
    rows: Floats,
    threshold: Floats,
    level: Floats,
    crest: Floats,
    noise_rms: float,
    sample_rate_hz: float,
) -> tuple[Floats, Floats]:
    """Fit the first rise of contact pulses.

    Parameters
    ----------
    rows
        (strokes, ``foot_length``) samples; the one ``AHEAD`` before the last is the first to reach
        ``level``.
    threshold
        (strokes,) magnitude whose passing is asked for.
    level
        (strokes,) magnitude reached at the end.
    crest
        (strokes,) magnitude of the pulse's peak.
    noise_rms
        Rms of the noise, taken for white.
    sample_rate_hz
        Rate.

    Returns
    -------
    at, u
        (strokes,) passing of the threshold, in samples after the first of the row, and its
        standard uncertainty. Empty for no rows.
    """
    at, u = np.zeros(len(rows)), np.zeros(len(rows))
    sigma = np.hypot(noise_rms, SHAPE_ERROR * level)
    heights = nearest(level / crest, HEIGHTS)
    tallnesses = nearest(level / sigma, TALLNESSES)
    for height in np.unique(heights).tolist():
        same = np.flatnonzero(heights == height)
        for first in range(0, len(same), FEW):
            few = same[first : first + FEW]
            at[few], u[few] = _fit(
                rows[few], threshold[few], sigma[few], sample_rate_hz, height, tallnesses[few]
            )
    return at, u


def nearest(value: Floats, ready: tuple[float, ...]) -> Floats:
    """Of what is ready, the nearest to each value, by ratio: as ``value``."""
    nearest = np.abs(np.log(value)[:, None] - np.log(ready)).argmin(axis=1)
    return np.asarray(np.array(ready)[nearest])


def _fit(
    rows: Floats, threshold: Floats, sigma: Floats, rate_hz: float, height: float, tallness: Floats
) -> tuple[Floats, Floats]:
    length = rows.shape[1]
    shapes, tails = shapes_of(length, height, rate_hz), tails_of(length, rate_hz)
    fits = fits_of(length, height, rate_hz)
    ready = [_heights(length, height, rate_hz, tall) for tall in tallness.tolist()]
    tightness = np.array([one[0] for one in ready])
    variance, constant = np.array([one[1] for one in ready]), np.array([one[2] for one in ready])
    last, count = length - 1 - AHEAD, len(shapes.start)
    seen = binned(rows * (np.sign(rows[:, last]) / sigma)[:, None])
    across = product(seen, tails.cosines)
    # inner products in the metric of noise and tail
    match = -product(across, fits.pull)
    whole = match.reshape(len(rows), -1, count)
    whole += product(seen, shapes.binned)[:, None, :] + (tightness * tallness)[:, None, None]
    taken = 0.5 * ((across @ tails.inverse) * across).sum(axis=2).T
    fit = match * match
    fit *= 0.5 * variance
    fit += constant
    fit.reshape(len(rows), -1, count)[...] += taken[:, :, None]
    return weighed(shapes, fit, match, variance, seen, threshold / sigma)


def weighed(
    shapes: Shapes,
    fit: Floats,
    match: Floats,
    variance: Floats,
    seen: Floats,
    threshold: Floats,
    fitted: int = 0,
) -> tuple[Floats, Floats]:
    """Passing of the threshold and its uncertainty over all fits of each row, weighed.

    Parameters
    ----------
    shapes
        Shapes, K of them.
    fit
        (rows, tails * K) logarithm of how likely each is.
    match, variance
        (rows, tails * K) whose product is the height of each at the level.
    seen
        (rows, bins) the rows, over their noise.
    threshold
        (rows,) magnitudes asked for, over the noise.
    fitted
        Levels fitted to a row besides.

    Returns
    -------
    at, u
        (rows,) samples after the first of the row.
    """
    bins, count = seen.shape[1], len(shapes.start)
    last = foot_length(bins // BINS - 1) - 1 - AHEAD
    best = fit.max(axis=1)
    misfit = np.maximum(((seen**2).sum(axis=1) - 2.0 * best) / (bins - fitted), 1.0)
    # those of all rows, one after the other
    likely = np.flatnonzero(fit > (best - UNLIKELY * misfit)[:, None])
    row, which = likely // fit.shape[1], likely % count
    begins = np.searchsorted(row, np.arange(len(fit)))

    def mean(values: Floats) -> Floats:
        return np.asarray(np.add.reduceat(weight * values, begins) / whole)

    weight = np.exp((fit.ravel()[likely] - best[row]) / misfit[row])
    whole = np.add.reduceat(weight, begins)
    tall = np.maximum(match.ravel()[likely] * variance.ravel()[likely], 1e-6)
    passing = last + shapes.passing(which, np.minimum(threshold[row] / tall, 1.0))
    passing = np.minimum(passing, last + AHEAD)
    at = mean(passing)
    # a grid finer than the spread adds nothing to it
    known = np.maximum(mean((passing - at[row]) ** 2), mean(shapes.spacing[which] ** 2) / 12.0)
    # no pulse is of one shape all the way up: the further from the level, the less is sure
    return at, np.hypot(np.sqrt(known), SHAPE_U * np.maximum(last - at, 0.0))
