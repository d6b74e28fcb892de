"""Starts of strokes before which there is little but noise."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis.rise import AHEAD, Rises
from analysis.stretch import (
    BACK_S,
    LEVEL_NOISE,
    LEVEL_SHARE,
    ONSET_SHARE,
    REST_NOISE,
    UNSURE_S,
    WINDOW_S,
    Stretch,
)

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

CHAIN_NOISE = 3.4
"""An earlier sample above so many times the noise's rms belongs to the stroke ..."""
CHAIN_S = 90e-6
"""... if it is no further than this from what is known to be of it."""
CHAIN_STEPS = 12
CHAIN_LEAST = 2.2
"""Ripples of 1 % of the peak are looked for only where that is so many times the noise's rms."""
CHAIN_U_S = 12e-6
"""Of a ripple's first passing of 1 %: which ripple it is depends on the noise (by simulation)."""
SLANT_WINDOW_S, SLANT_ORDER = 0.0012, 1
"""A weak tail, or hum that is left, is a straight line for so long before a rise."""
SLANT_SPREAD = 1.3
"""Of what is left when the slant was no line (by simulation)."""
TALLER = 2.5
"""The rise is fitted again up to so much more."""
AVERAGES = (1, 4, 16)
"""Samples averaged for slow rises, tried in turn."""


def from_silence(
    stretch: Stretch, coarse: Ints, peak: Floats, slanted: Bools, sure: Bools
) -> tuple[Floats, Floats]:
    """Starts of strokes before which there is little but noise; a slow slant, if ``slanted``."""
    n, second, noise = len(coarse), stretch.sample_rate_hz, stretch.noise_rms
    back, hop = round(BACK_S * second), stretch.frames_per_hop
    window = int(WINDOW_S * second) // 4 * 4
    rises, taller = Rises.room(n, window), Rises.room(n, window)
    ends = np.zeros(n, dtype=np.int64)
    first, first_u = np.full(n, np.nan), np.zeros(n)
    for k in range(n):
        begin = int(coarse[k]) - back - window
        near = stretch.clean(begin, int(coarse[k]) + back + window + AHEAD + 1)
        rest = float(near[:window].mean())
        if not slanted[k] and abs(rest) > REST_NOISE * noise / np.sqrt(window):
            near -= rest  # a piezo drifts back for a tenth of a second after a stroke
        size = np.abs(near[window:-AHEAD])
        if slanted[k]:
            size[: back - (hop if sure[k] else round(UNSURE_S * second))] = 0.0
        level = min(max(LEVEL_SHARE * peak[k], LEVEL_NOISE * noise), 0.6 * peak[k])
        threshold = ONSET_SHARE * peak[k]
        for which, height in ((rises, level), (taller, min(TALLER * level, 0.6 * peak[k]))):
            end = int(np.argmax(size >= height))
            which.level[k], which.threshold[k], which.noise[k] = height, threshold, noise
            which.origin[k] = begin + window + end + AHEAD + 1
            which.rows[k] = near[end + AHEAD + 1 : end + AHEAD + 1 + window]
        end = int(np.argmax(size >= level))
        ends[k] = begin + window + end
        floor = max(threshold, CHAIN_NOISE * noise, 1.1 * float(np.abs(near[:window]).max()))
        place, first_u[k] = _chain(size, end, threshold, level, floor, round(CHAIN_S * second))
        first[k] = begin + window + place
    at, u, slow = rises.fit(-1)
    other, other_u, _ = taller.fit(-1)
    if slanted.any():
        short = int(SLANT_WINDOW_S * second)
        earliest = np.asarray(coarse - np.where(sure, hop, UNSURE_S * second), dtype=np.float64)
        rises.earliest, taller.earliest = earliest, earliest
        bent, bent_u, _ = rises.shortened(short).fit(SLANT_ORDER)
        at, u = np.where(slanted, bent, at), np.where(slanted, bent_u, u)
        bent, bent_u, _ = taller.shortened(short).fit(SLANT_ORDER)
        other, other_u = np.where(slanted, bent, other), np.where(slanted, bent_u, other_u)
        slow &= ~slanted
    # above a slant the taller rise may tell better: less of it can be taken for the slant
    apart = np.abs(other - at)
    better = slanted & (other_u < u)
    at, u = np.where(better, other, at), np.where(better, other_u, u)
    u = np.where(slanted, SLANT_SPREAD * u, u)
    # a rise that is no power law gives another start when more of it is fitted
    unlike = (apart > 2.0 * np.hypot(u, other_u)) & ~slow
    u[unlike] = np.hypot(u, 0.5 * apart)[unlike]
    for average in AVERAGES[1:]:
        again = np.flatnonzero(slow)
        if not len(again):
            break
        wider = Rises.room(len(again), window)
        for row, which_row in enumerate(again):
            until = int(ends[which_row]) + average * (AHEAD + 1)
            wider.rows[row] = (
                stretch.clean(until - average * window, until).reshape(-1, average).mean(axis=1)
            )
        wider.origin = np.full(len(again), float(window))
        wider.level, wider.threshold = rises.level[again], rises.threshold[again]
        wider.noise = rises.noise[again] / np.sqrt(average)
        fit, spread, slow[again] = wider.fit(-1)
        # the mean of a group of samples stands for the group's middle
        stop = ends[again] + average * (AHEAD + 1)
        at[again] = stop - average * window + fit * average + 0.5 * (average - 1)
        u[again] = spread * average
    # something of the stroke stood above the noise before the rise that was fitted
    first_u = np.hypot(first_u, CHAIN_U_S * second)
    sooner = (first + 2.0 * first_u < at) & (rises.threshold > CHAIN_LEAST * noise) & ~slanted
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
