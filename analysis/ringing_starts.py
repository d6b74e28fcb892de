"""Starts of contact pulses on the ringing tail of an earlier stroke, whose modes can be told."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis.pulse_shapes import BINS, foot_length
from analysis.quiet_starts import MOST_HEIGHT, TAIL_NOISE, TALLER
from analysis.ringing_foot import fit_ringing_feet
from analysis.rise import AHEAD
from analysis.stretch import BACK_S, LEVEL_NOISE, LEVEL_SHARE, ONSET_SHARE, WINDOW_S, Stretch
from analysis.tail_modes import ROW, Complexes, likeness, modes_of, waves

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

FREE_S = 0.013
"""So long after its stroke a tail rings freely: its contact is over, a late crest too (about 10 ms;
common practice, no source)."""
LEAST_S, LONGEST_S = 0.008, 0.030
"""Modes are told from so much of each tail, and no start where less of its own is free."""
REACH_S = 0.003
"""A stroke may begin so long before it shows."""
MODES_RATE_HZ = 6000.0
"""About the rate at which modes are looked for: those of pads are a few hundred Hz to 2 kHz."""
LEVELS_S = 0.012
"""Levels of the modes, to tell what of the tail is left, are fitted to so much of it."""
LIKE = 1e-8
"""Modes more alike than that are one (ratio of singular values)."""
SURE_S, UNSURE_S = 0.0008, 0.0015
"""The level is reached no sooner than so long before the stroke shows."""
REST_S = 0.001
"""What of the tail is left is looked at up to so long before that, ..."""
REST_MEAN_S = 0.0002
"""... over means of so much."""
CREST_S = 0.0022
"""The crest is looked for up to so long after the stroke shows: further on no tail is foretold."""
ROW_S, FEWER = 0.016, 2
"""The foot is fitted to so much before the level, or less by so many octaves of bins where there is
not as much."""


def from_ringing(
    stretch: Stretch, coarse: Ints, sure: Bools, ringing: Bools
) -> tuple[Floats, Floats]:
    """Find the starts of strokes on a ringing tail.

    Parameters
    ----------
    stretch
        Samples.
    coarse
        (n,) frames at which the strokes show, in order.
    sure
        (n,) they begin no earlier than a hop before that.
    ringing
        (n,) which of them are asked for; the others' tails tell of the modes too.

    Returns
    -------
    at, u
        (n,) frames of the stretch, and their standard uncertainty; NaN where not asked for, and
        where too little of the tail is free to tell its modes.
    """
    rate, step = stretch.sample_rate_hz, stretch.frames_per_fast
    group = max(round(rate / step / MODES_RATE_HZ), 1)
    reach, longest = round(REACH_S * rate), round(LONGEST_S * rate)
    n = len(coarse)
    at, u = np.full(n, np.nan), np.full(n, np.nan)
    free = np.append([0], coarse[:-1] + round(FREE_S * rate))
    products, rows = np.zeros((ROW, ROW)), 0
    # a pad rings in the same modes after each of its strokes
    for begin, end in zip(
        free[1:], np.minimum(coarse[1:] - reach, free[1:] + longest), strict=True
    ):
        more, count = likeness(_means(stretch, int(begin), int(end), group))
        products, rows = products + more, rows + count
    for k in np.flatnonzero(ringing).tolist():
        stop = int(coarse[k]) - reach
        if stop - free[k] < LEAST_S * rate:
            continue
        own, count = likeness(_means(stretch, max(int(free[k]), stop - longest), stop, group))
        modes = modes_of(
            products + own,
            rows + count,
            rate / step / group,
            stretch.noise_rms / np.sqrt(step * group),
        )
        at[k], u[k] = _start(stretch, int(coarse[k]), int(free[k]), bool(sure[k]), modes)
    return at, u


def _means(stretch: Stretch, begin: int, end: int, group: int) -> Floats:
    """Means of the samples between two frames, so many fast ones in each."""
    first, last = -(-begin // stretch.frames_per_fast), end // stretch.frames_per_fast
    last = first + max(last - first, 0) // group * group
    return np.asarray(stretch.fast[first:last].reshape(-1, group).mean(axis=1))


def _start(
    stretch: Stretch, coarse: int, free: int, sure: bool, modes: Complexes
) -> tuple[float, float]:
    """Start of one stroke, and its uncertainty."""
    rate, step, noise = stretch.sample_rate_hz, stretch.frames_per_fast, stretch.noise_rms
    stop = (coarse - round(REACH_S * rate)) // step
    octaves = round(np.log2(rate * ROW_S / BINS))
    some = [foot_length(octaves - fewer) for fewer in range(FEWER + 1)]
    length = next((one for one in some if one <= coarse - free), some[-1])
    # all of it, and what is new in it when the tail before goes on as its modes do
    origin = stop * step - length
    near = stretch.clean(origin, coarse + int((WINDOW_S + BACK_S) * rate) + AHEAD + 1)
    every = waves(modes, (np.arange(len(near)) - length) / rate)
    begin = max(-(-free // step), stop - round(LEVELS_S * rate / step))
    middle_s = ((np.arange(begin, stop, dtype=np.float64) + 0.5) * step - 0.5 - stop * step) / rate
    before = waves(modes, middle_s).T
    height = np.linalg.lstsq(before, stretch.fast[begin:stop], rcond=LIKE)[0]
    new = near - height @ every
    size = np.abs(new)
    shows = coarse - origin
    crest = float(size[shows - round(SURE_S * rate) : shows + round(CREST_S * rate)].max())
    group = max(round(REST_MEAN_S * rate), 1)
    rest = new[max(length // 4, begin * step - origin) : shows - round(REST_S * rate)]
    rest = rest[: len(rest) // group * group].reshape(-1, group).mean(axis=1)
    tail = float(np.abs(rest).max())
    level = max(LEVEL_NOISE * noise, tail + max(tail, TAIL_NOISE * noise), LEVEL_SHARE * crest)
    levels = np.minimum(level * np.array([1.0, TALLER]), MOST_HEIGHT * crest)
    first = shows - round((SURE_S if sure else UNSURE_S) * rate)
    ends = first + np.array([np.argmax(size[first:-AHEAD] >= one) for one in levels])
    until = ends + AHEAD + 1
    rows = np.array([near[end - length : end] for end in until]) * np.sign(new[ends])[:, None]
    # a row later on is of the same waves, at other levels
    passing, u = fit_ringing_feet(
        rows, every[:, :length], ONSET_SHARE * crest, levels, crest, noise, rate
    )
    at = origin + until - length + passing
    better = int(np.argmin(u))
    apart = abs(at[1] - at[0])
    # a rise that is no such pulse gives another start when more of it is fitted
    unlike = 0.5 * apart if apart > 2.0 * np.hypot(*u) else 0.0
    return float(at[better]), float(np.hypot(u[better], unlike))
