"""Starts of contact pulses before which there is little but noise, or a weak smooth tail."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis.foot import fit_feet
from analysis.pulse_shapes import BINS, foot_length
from analysis.rise import AHEAD
from analysis.stretch import BACK_S, LEVEL_NOISE, LEVEL_SHARE, ONSET_SHARE, WINDOW_S, Stretch

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

TAIL_NOISE = 5.0
"""The level is so many times the noise's rms above a weak tail, and at least twice that."""
MOST_HEIGHT = 0.6
"""... but no more than this share of the peak."""
TALLER = 2.5
"""The rise is fitted again up to so much more."""
QUIET_S = 0.016
"""So much before the level is looked at ..."""
NARROWER = 3
"""... or less by so many octaves of bins, where the stroke before is not so long ago."""
CHAIN_NOISE = 3.4
"""An earlier sample above so many times the noise's rms belongs to the stroke ..."""
CHAIN_S = 90e-6
"""... if it is no further than this from what is known to be of it."""
CHAIN_STEPS = 12
CHAIN_LEAST, CHAIN_TAIL = 2.2, 0.75
"""Ripples of 1 % of the peak are looked for only where that is more than so many times the noise's
rms, and a tail less."""
CHAIN_U_S = 12e-6
"""Of a ripple's first passing of 1 %: which ripple it is depends on the noise (by simulation)."""


def from_quiet(
    stretch: Stretch, coarse: Ints, reach: Ints, room: Ints, peak: Floats, tail: Floats
) -> tuple[Floats, Floats]:
    """Find the starts of strokes out of quiet.

    Parameters
    ----------
    stretch
        Samples.
    coarse
        (n,) frames at which the strokes show.
    reach
        (n,) frames before that within which they begin.
    room
        (n,) frames since the strokes before them.
    peak, tail
        (n,) magnitudes of the strokes, and of what they stand on.

    Returns
    -------
    at, u
        (n,) frames of the stretch, and their standard uncertainty.
    """
    n, second, noise = len(coarse), stretch.sample_rate_hz, stretch.noise_rms
    after = int((WINDOW_S + BACK_S) * second) + AHEAD + 1
    threshold = ONSET_SHARE * peak
    level = np.maximum(LEVEL_NOISE * noise, tail + np.maximum(tail, TAIL_NOISE * noise))
    level = np.maximum(level, LEVEL_SHARE * peak)
    levels = [np.minimum(height * level, MOST_HEIGHT * peak) for height in (1.0, TALLER)]
    widest = max(NARROWER + 1, round(np.log2(second * QUIET_S / BINS)))
    octaves = np.where(room < foot_length(widest) + reach + after, widest - NARROWER, widest)
    first, first_u = np.zeros(n), np.zeros(n)
    fits = np.zeros((2, 2, n))
    for which in np.unique(octaves).tolist():
        some = np.flatnonzero(octaves == which)
        length = foot_length(which)
        rows, begin = np.zeros((2, len(some), length)), np.zeros((2, len(some)))
        for row, k in enumerate(some):
            start = int(coarse[k] - reach[k]) - length
            near = stretch.clean(start, int(coarse[k]) + after)
            size = np.abs(near[length:-AHEAD])
            for taller in (1, 0):
                end = int(np.argmax(size >= levels[taller][k]))
                until = length + end + AHEAD + 1
                rows[taller, row] = near[until - length : until]
                begin[taller, row] = start + until - length
            loudest = float(np.abs(near[length // 2 : length]).max())
            floor = max(threshold[k], CHAIN_NOISE * noise, 1.1 * loudest)
            place, first_u[k] = _chain(
                size, end, threshold[k], levels[0][k], floor, round(CHAIN_S * second)
            )
            first[k] = start + length + place
        at, u = fit_feet(
            rows.reshape(-1, length),
            np.tile(threshold[some], 2),
            np.concatenate([height[some] for height in levels]),
            np.tile(peak[some], 2),
            noise,
            second,
        )
        fits[:, 0, some] = begin + at.reshape(2, -1)
        fits[:, 1, some] = u.reshape(2, -1)
    (at, u), (other, other_u) = fits
    apart, both = np.abs(other - at), np.hypot(u, other_u)
    # above a tail the taller rise may tell better: less of it can be taken for the tail
    better = other_u < u
    at, u = np.where(better, other, at), np.where(better, other_u, u)
    # a rise that is no such pulse gives another start when more of it is fitted
    unlike = apart > 2.0 * both
    u[unlike] = np.hypot(u, 0.5 * apart)[unlike]
    # something of the stroke stood above the noise before the rise that was fitted
    first_u = np.hypot(first_u, CHAIN_U_S * second)
    sooner = (first + 2.0 * first_u < at) & (threshold > CHAIN_LEAST * noise)
    sooner &= tail < CHAIN_TAIL * noise
    at[sooner], u[sooner] = first[sooner], first_u[sooner]
    return at, u


def _chain(
    size: Floats, end: int, threshold: float, level: float, floor: float, reach: int
) -> tuple[float, float]:
    """Earliest sample that still hangs together with the rise, and its uncertainty.

    Small ripples before the main rise, as every band-limited sharp start has them, are part of the
    stroke; a power law knows nothing of them.
    """
    place = end
    for _ in range(CHAIN_STEPS):
        low = max(place - reach, 0)
        above = np.flatnonzero(size[low:place] >= floor)
        if not len(above):
            break
        place = low + int(above[0])
    step = float(size[place] - size[place - 1]) if place > 0 else 0.0
    share = (size[place] - threshold) / step if step > 0 else 0.5
    at = place - float(np.clip(share, 0.0, 1.0))
    # where 1 % of the peak lies below what stands out of the noise, go on as it grew
    hidden = 0.0
    if floor > threshold and level > floor and end > place:
        hidden = (end - place) * np.log(floor / threshold) / np.log(level / floor)
        hidden = min(hidden, float(reach))
    return at - 0.5 * hidden, float(np.hypot(0.5, 0.5 * hidden))
