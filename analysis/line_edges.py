"""Edges of a MIDI line in a recording, whatever its level and baseline do."""

from __future__ import annotations

import functools

import numpy as np
from scipy import ndimage

from analysis.line_model import Floats


def extremes(line: Floats, bit: float) -> tuple[Floats, Floats]:
    """Highest and lowest value within eleven bits (``bit`` samples each) around each sample.

    A byte and its stop bit hold both levels, so their middle is the threshold, whatever the
    baseline does. Taken over groups of samples, well below a bit, to spare time.
    """
    group = max(1, int(bit / 3))
    window = int(11 * bit / group)
    held = np.pad(line, (0, -len(line) % group), mode="edge")
    members = [held[place::group] for place in range(group)]
    high = ndimage.maximum_filter1d(functools.reduce(np.maximum, members), window)
    low = ndimage.minimum_filter1d(functools.reduce(np.minimum, members), window)
    return np.repeat(high, group)[: len(line)], np.repeat(low, group)[: len(line)]


def falling_edges(line: Floats, bit: float, half_swing: float) -> tuple[Floats, Floats, Floats]:
    """Falling edges, the edge (of either kind) before each, and the middle of each swing.

    Parameters
    ----------
    line
        (n,) samples, idle high; any level.
    bit
        Samples a bit.
    half_swing
        Half of the line's swing; where less than that moves within a byte, there is no edge.

    Returns
    -------
    at, previous
        (m,) places between samples, by linear interpolation; the first has -inf before it.
    middle
        (n,) half way between the highest and the lowest value about each sample.
    """
    high, low = extremes(line, bit)
    middle = (high + low) / 2
    above = line > middle
    lively = high - low > half_swing
    crossing = np.flatnonzero((above[1:] != above[:-1]) & lively[1:] & lively[:-1])
    over = line[crossing] - middle[crossing]
    under = line[crossing + 1] - middle[crossing + 1]
    at = crossing + over / (over - under)
    falling = over > 0
    previous = np.concatenate([[-np.inf], at[:-1]])
    return at[falling], previous[falling], middle


def starts_after_silence(at: Floats, previous: Floats, bit: float) -> Floats:
    """Falling edges after more silence than any byte holds: starts of bytes for certain."""
    return at[at - previous > 10.5 * bit]
