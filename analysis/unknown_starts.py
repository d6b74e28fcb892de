"""Starts of sounds that may begin in any manner, before which there is little but noise."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis.stretch import BACK_S, ONSET_SHARE, REST_NOISE, UNSURE_S, WINDOW_S, Stretch
from analysis.unknown_rise import AFTER, first_passing, level_of, row_length

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

SLOW_BACKS = 3
"""A slow beginning of unknown make, where no tail is, is looked for so many times as far back."""
TAIL_LEVEL = 1.5
"""On a weak tail the noise may reach so much more."""


def of_unknown_make(
    stretch: Stretch, coarse: Ints, peak: Floats, sure: Bools, tail: bool
) -> tuple[Floats, Floats]:
    """Starts of sounds that may begin in any manner, with little but noise before them."""
    second, noise = stretch.sample_rate_hz, stretch.noise_rms
    back, window = round(BACK_S * second), int(WINDOW_S * second)
    length = row_length(second)
    rows, begin = np.zeros((len(coarse), length)), np.zeros(len(coarse))
    threshold = ONSET_SHARE * peak
    level = np.minimum(level_of(threshold, (TAIL_LEVEL if tail else 1.0) * noise), 0.6 * peak)
    for k in range(len(coarse)):
        start = int(coarse[k]) - SLOW_BACKS * back - window
        near = stretch.clean(start, int(coarse[k]) + back + window)
        rest = float(near[:window].mean())
        if not tail and abs(rest) > REST_NOISE * noise / np.sqrt(window):
            near -= rest
        # a tail may reach the level by itself
        early = stretch.frames_per_hop if sure[k] else round(UNSURE_S * second)
        first = window + (SLOW_BACKS * back - early if tail else 0)
        end = first + int(np.argmax(np.abs(near[first : -AFTER - 1]) >= level[k])) + AFTER + 1
        rows[k], begin[k] = near[end - length : end], start + end - length
    at, u = first_passing(rows, threshold, noise, second, tail)
    return begin + at, u
