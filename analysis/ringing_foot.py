"""The foot of a contact pulse on a ringing tail whose modes are known but not their levels.

As in ``foot``: all starts and shapes are fitted, on remnants (Gaussian processes) of several
strengths and smoothnesses. Under these the tail's modes are fitted too, at any level: what they
explain before the stroke is taken off under it, what they don't shows before it as well and makes
the likelier remnant a stronger one, and the start as much less certain.

Source: Rasmussen and Williams, Gaussian Processes for Machine Learning (2006), section 2.7 (basis
functions whose levels are not known, eq. 2.42 in the limit of a vague prior). From memory.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis import foot
from analysis.pulse_shapes import binned, shapes_of
from analysis.rise import SHAPE_ERROR, product

Floats = npt.NDArray[np.float64]


def fit_ringing_feet(
    rows: Floats,
    waves: Floats,
    threshold: float,
    level: Floats,
    crest: float,
    noise_rms: float,
    sample_rate_hz: float,
) -> tuple[Floats, Floats]:
    """Fit the first rise of one stroke, up to several levels.

    Parameters
    ----------
    rows
        (levels, ``foot_length``) samples, the tail in them; the one ``AHEAD`` before the last is
        the first at which the stroke, a positive one, reaches the level.
    waves
        (waves, ``foot_length``) what the tail's modes can do over a row; may be none.
    threshold
        Magnitude whose passing is asked for.
    level
        (levels,) magnitudes reached at the end.
    crest
        Magnitude of the pulse's peak.
    noise_rms
        Rms of the noise, taken for white.
    sample_rate_hz
        Rate.

    Returns
    -------
    at, u
        (levels,) passing of the threshold, in samples after the first of the row, and its
        standard uncertainty.
    """
    length, rate_hz = rows.shape[1], sample_rate_hz
    tails = foot.tails_of(length, rate_hz)
    sigma = np.hypot(noise_rms, SHAPE_ERROR * level)
    seen = binned(rows / sigma[:, None])
    space = np.linalg.qr(binned(waves).T)[0]
    # inner products in the metric of noise and remnant, what the modes can do taken out
    across = tails.cosines.T @ space
    left = tails.inverse @ across
    root = np.linalg.cholesky(np.eye(space.shape[1]) - across.T @ left)
    unroot = np.linalg.inv(root)
    volume = tails.volume - np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
    remnant = seen @ tails.cosines
    ringing = (seen @ space - remnant @ left) @ unroot.transpose(0, 2, 1)
    taken = ((remnant @ tails.inverse) * remnant).sum(axis=2) + (ringing**2).sum(axis=2)
    heights = foot.nearest(level / crest, foot.HEIGHTS).tolist()
    tallness = foot.nearest(level / sigma, foot.TALLNESSES)
    tightness = (foot.GAIN_SPREAD * tallness) ** -2.0
    at, u = np.zeros(len(rows)), np.zeros(len(rows))
    for height in set(heights):
        shapes = shapes_of(length, height, rate_hz)
        fits = foot.fits_of(length, height, rate_hz)
        count = len(shapes.start)
        ringing_shapes = unroot @ (
            space.T @ shapes.binned
            - product(across.T, fits.pull).reshape(-1, len(volume), count).transpose(1, 0, 2)
        )
        free = fits.precision.reshape(-1, count) - (ringing_shapes**2).sum(axis=1)
        pulled = product(remnant, fits.pull).reshape(len(rows), -1, count)
        match = product(seen, shapes.binned)[:, None] - pulled
        match -= (ringing.transpose(1, 0, 2)[:, :, None] @ ringing_shapes)[:, :, 0]
        for row in np.flatnonzero(np.array(heights) == height).tolist():
            precision = np.maximum(free, 0.0) + tightness[row]
            pushed = match[row] + tightness[row] * tallness[row]
            fit = 0.5 * pushed**2 / precision - 0.5 * np.log(precision / tightness[row])
            fit += (volume + 0.5 * taken[:, row])[:, None] + shapes.prior
            at[[row]], u[[row]] = foot.weighed(
                shapes,
                fit.reshape(1, -1),
                pushed.reshape(1, -1),
                1.0 / precision.reshape(1, -1),
                seen[[row]],
                threshold / sigma[[row]],
                space.shape[1],
            )
    return at, u
