"""Starts of strokes on the tail of an earlier one, where that tells no modes or is of any make."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis.rise import AHEAD, Rises
from analysis.stretch import LEVEL_NOISE, LEVEL_SHARE, ONSET_SHARE, Stretch
from analysis.whitening import Predictor

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

TAIL_ORDERS = (0, 1, 2)
"""Degrees of what a foretold tail may still leave under a rise; the middle one is used."""
OWN_PEAK_S = 0.0015
"""The peak of a stroke on a ringing tail is looked for so long after its start."""
FORESEEN_S = 0.0007
"""How long before that a tail is foretold, to see how well that goes."""
FOOT_NOISE = 3.4
"""What is so many times the noise's rms shows."""


def from_tails(
    stretch: Stretch, coarse: Ints, predictor: Predictor
) -> tuple[Floats, Floats, Floats]:
    """Starts of strokes that sit on the tail of an earlier one, which is foretold and taken off.

    Also tells how many times 1 % of the peak may lie hidden in what was foretold wrongly.
    """
    n, step, second = len(coarse), stretch.frames_per_fast, stretch.sample_rate_hz
    early = round(FORESEEN_S * second / step)
    after = round(OWN_PEAK_S * second / step)
    start = coarse // step - early
    tail = predictor.continue_from(stretch.fast, start, early + after)
    window = early * step
    rises, least_hidden = Rises.room(n, window), np.zeros(n)
    middle = (np.arange(early + after) + 0.5) * step - 0.5
    for k in range(n):
        first = int(start[k]) * step
        raw = stretch.clean(first, first + (early + after) * step)
        new = raw - np.interp(np.arange(len(raw)), middle, tail[k])
        test = new[step * 2 : window]
        # the further ahead, the worse: a linear growth makes the last the largest
        error = max(float(np.sqrt(np.mean(test**2))), 0.5 * float(np.abs(test).max()))
        height = float(np.abs(new[window:]).max())
        if error > 0.1 * height:
            # the tail can't be foretold: hold a straight line against it
            least_hidden[k] = np.e
            stem = raw[window - step * 8 : window]
            line = np.polyfit(np.arange(-len(stem), 0), stem, 1)
            new = raw - np.polyval(line, np.arange(len(raw)) - window)
            error = float(np.sqrt(np.mean(new[window - len(stem) : window] ** 2)))
            height = float(np.abs(new[window : window + 16 * step]).max())
        noise = max(error, stretch.noise_rms)
        level = min(max(LEVEL_SHARE * height, LEVEL_NOISE * noise), 0.5 * height)
        end = window + int(np.argmax(np.abs(new[window:-AHEAD]) >= level))
        rises.rows[k] = new[end + AHEAD + 1 - window : end + AHEAD + 1]
        rises.level[k], rises.threshold[k] = level, ONSET_SHARE * height
        rises.noise[k], rises.origin[k] = noise, first + end + AHEAD + 1
        rises.earliest[k] = first + window - step
    fits = [rises.fit(order) for order in TAIL_ORDERS]
    at, u, _ = fits[len(fits) // 2]
    others = np.array([fit[0] for fit in fits])
    # what the baseline is taken to be is part of what isn't known
    u = np.hypot(u, 0.5 * np.ptp(others, axis=0))
    hidden = FOOT_NOISE * rises.noise / np.maximum(rises.threshold, 1e-12)
    return at, u, np.maximum(hidden, least_hidden)
