"""Where strokes begin, to about a millisecond: kinks that the signal's recent past can't explain.

A stroke begins with a corner: the slope jumps within the first fraction of a millisecond. Tails,
late crests and hum are smooth, however loud. So the second difference is looked at, on three time
scales (soft slow strokes need the longest to stand above the noise), and a stroke is where it
exceeds both the noise and several times its own recent past. On the shortest scale a predictor
learnt from the pad's own tails takes the place of the straight line.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

from analysis.hops import HOP_S, Hops

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

NOISE_RATIO = (7.0, 7.0, 7.5)
"""Second difference over its noise rms, by scale, at which a corner may be a stroke. The noise
passes 7 sigma less than once in 10^11 samples."""
PAST_RATIO = (3.5, 3.5, 1.5)
"""Second difference over that of its recent past, by scale."""
PAST_HOPS = (30, 30, 130)
"""How far back the past reaches. On the longest scale, where low modes show as well, it holds more
than a period of the lowest (80 Hz, common practice, no source): there only a stroke out of quiet is
found."""
PAST_QUANTILE = (0.75, 0.75, 1.0)
"""What stands for the past: not the largest, which would be the corners of the stroke before."""
GUARD_HOPS = (1, 2, 6)
"""Hops just before a corner that it may reach into itself."""
SAME_HOPS = 8
"""A corner on a shorter scale so soon after one on the longest is the same."""
LEAST_GAP_S = 0.003
"""Corners closer to an earlier stroke than this are taken as its own."""
LEAST_GAP_NEAR_S = 0.001
"""... and so close where a strike is expected."""
NEAR_S = 0.001
"""How near to an expected time a strike counts as expected."""
CONTACT_S = 0.0075
"""Longest contact: until then the corner of a contact's end is looked for."""
ECHO_START_S, ECHO_MIDDLE_S, ECHO_END_S = 0.005, 0.014, 0.03
ECHO_RISE = 0.3
"""A pad's foam or rim sends a second, blunter crest about 10 ms after a stroke: what starts then
must rise at least so much (over the first rise of the stroke before) to be a stroke, unless
a strike is expected."""
WEAK_RISE = 0.15
"""The same before and after that, until ECHO_END_S ..."""
WEAK_RISE_ALONE = 0.05
"""... at most so much without a plan, where a stroke must stand out of the tail as well ..."""
TAIL_S = 0.06
"""... and falling by 1/e in each such time from then on: tails rattle, ever more softly."""
TAIL_PAST_S, TAIL_RATIO = 0.03, 2.5
"""A stroke that no plan expects must be so many times as new as what its forerunner's tail held
that could not be foretold, over so long before. What rattles, beats and hisses in the tails of
recorded drums, cymbals and hand drums stays below 2.4 of it (by the recordings of the tests)."""
TAIL_START_S = 0.0015
"""The tail begins so long after its stroke ..."""
TAIL_SPARED = 3
"""... and so many hops of it count for nothing: the end of a contact is a corner too."""
SLOW_END_S, SLOW_RISE = 0.2, 0.3
"""The same for corners that show on the longest scale alone, so long after a stroke."""


def beginnings(
    hops: Hops,
    expected: Ints,
    last_hop: int,
    last_rise: float,
    rise: Callable[[int], float],
    near_hops: float = NEAR_S / HOP_S,
    echo_rise: float = ECHO_RISE,
    tail_ratio: float = TAIL_RATIO,
) -> tuple[Ints, Floats, Bools]:
    """Hops at which strokes begin, the first rise of each (signed), and whether that is sure.

    Where it isn't, the corner was seen on the longest scale first, and may lie half a millisecond
    before its hop.

    Parameters
    ----------
    hops
        Features.
    expected
        Hops near which a strike is expected: there half the ratio to the past suffices, and a
        stroke may follow its forerunner sooner.
    last_hop, last_rise
        Stroke found before this stretch (hop, may be negative) and its rise.
    rise
        Gives the rise above what was foretold at a hop.
    near_hops
        How near to an expected hop counts as expected.
    echo_rise
        Least rise, over that of the stroke before, at the time of late crests.
    tail_ratio
        Least ratio to what was new in the tail before; 0 for whatever stands out.
    """
    floor = np.array(NOISE_RATIO)[:, None]
    past_ratio = np.array(PAST_RATIO)
    strong = hops.corner > floor
    lead = max(PAST_HOPS) + max(GUARD_HOPS)
    padded = np.concatenate([np.repeat(hops.corner[:, :1], lead, axis=1), hops.corner], axis=1)
    rows = []
    for scale, corner in enumerate(hops.corner):
        where = np.flatnonzero(strong[scale])
        where = where[(where >= 16) & (where < len(corner) - 8)]
        # a corner is a crest of the second difference, or its foot on the way up
        risen = corner[where] >= corner[where - 1]
        where = where[risen & (corner[where] >= 0.5 * corner[where + 1])]
        if len(where) == 0:
            continue
        guard, reach = GUARD_HOPS[scale], PAST_HOPS[scale]
        past = sliding_window_view(padded[scale], reach)[where + (lead - reach - guard)]
        rank = min(round(PAST_QUANTILE[scale] * reach), reach - 1)
        # the largest needs no order, and there the past is longest
        whole = rank == reach - 1
        middle = past.max(axis=1) if whole else np.partition(past, rank, axis=1)[:, rank]
        ratio = np.full(len(where), past_ratio[scale])
        which = np.full(len(where), -1)
        if len(expected):
            right = np.clip(np.searchsorted(expected, where), 0, len(expected) - 1)
            left = np.maximum(right - 1, 0)
            closer = np.abs(expected[left] - where) < np.abs(expected[right] - where)
            which = np.where(closer, left, right)
            which[np.abs(expected[which] - where) > near_hops] = -1
            ratio[which >= 0] *= 0.5
        score = corner[where] / np.maximum(floor[scale, 0], ratio * middle)
        keep = score > 1.0
        rows.append(np.stack([where, np.full(len(where), scale), which], axis=1)[keep])
    if not rows:
        return np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0, dtype=bool)
    table = np.concatenate(rows)
    table = table[np.lexsort((table[:, 1], table[:, 0]))]
    return _thin(table, hops, last_hop, last_rise, rise, echo_rise, tail_ratio)


def _thin(
    table: Ints,
    hops: Hops,
    last_hop: int,
    last_rise: float,
    rise: Callable[[int], float],
    echo_rise: float,
    tail_ratio: float,
) -> tuple[Ints, Floats, Bools]:
    """One hop a stroke: the rest of each stroke's corners, contact ends and clip edges go."""
    least = round(LEAST_GAP_S / HOP_S)
    least_near = round(LEAST_GAP_NEAR_S / HOP_S)
    found: list[int] = []
    rises: list[float] = []
    sure: list[bool] = []
    most = WEAK_RISE_ALONE if tail_ratio else WEAK_RISE
    awaited = -1  # the expected strike that the latest stroke answered
    clips = hops.clipped.any()
    rows = table.tolist()
    # the next corner on a shorter scale: where it is the same, it tells better when
    places = np.where(table[:, 1] < 2, np.arange(len(table)), len(table))
    sharpers = np.minimum.accumulate(places[::-1])[::-1].tolist()
    for (hop, scale, which), sharper in zip(rows, sharpers, strict=True):
        near = which >= 0 and which != awaited
        sharp = scale < 2
        if not sharp and sharper < len(rows) and rows[sharper][0] - hop <= SAME_HOPS:
            hop, scale = rows[sharper][:2]
        # on the longest scale a corner shows up to a millisecond before it is there
        age = hop - last_hop
        if age < (least_near if near else least) + (0, 1, 5)[scale]:
            continue
        if clips and hops.clipped[max(hop - 4, 0) : hop].any():
            continue
        if scale == 2 and age < PAST_HOPS[2]:
            continue
        # found on the longest scale alone, it begins up to a millisecond later
        own = rise(hop if scale < 2 else hop + 5)
        if not near and last_rise:
            if tail_ratio:
                usual = _tail(hops.corner[scale], hop, last_hop, GUARD_HOPS[scale])
                if hops.corner[scale, hop] < tail_ratio * usual:
                    continue
            ratio = own / last_rise
            late = ECHO_START_S < age * HOP_S < ECHO_MIDDLE_S
            if late and ratio < echo_rise:
                continue
            if not _is_stroke(hops, hop, scale, last_hop, ratio, last_rise > 0, most):
                continue
        found.append(hop)
        rises.append(own)
        sure.append(sharp)
        last_hop, last_rise = hop, own
        if which >= 0:
            awaited = which
    return np.array(found, dtype=np.int64), np.array(rises), np.array(sure, dtype=bool)


def _tail(corner: Floats, hop: int, last_hop: int, guard: int) -> float:
    """How new the last stroke's tail was on one scale before a hop; 0 where there is none."""
    stop = max(hop - guard, 0)
    begin = max(last_hop + round(TAIL_START_S / HOP_S), stop - round(TAIL_PAST_S / HOP_S), 0)
    past = corner[begin:stop]
    if not len(past):
        return 0.0
    rank = len(past) - 1 - min(TAIL_SPARED, len(past) // 4)
    return float(np.partition(past, rank)[rank])


def _is_stroke(
    hops: Hops, hop: int, scale: int, last_hop: int, ratio: float, upwards: bool, most: float
) -> bool:
    """Tell a stroke from an echo, a late crest and the end of a contact, by its rise.

    None of them rises as sharply as the stroke before it did, and the same way up. ``ratio``: its
    rise over that of the stroke before; ``upwards``: which way that went; ``most``: that is asked
    of the ratio.
    """
    age_s = (hop - last_hop) * HOP_S
    if scale == 2:
        return age_s > SLOW_END_S or ratio > SLOW_RISE
    # long after it, another striker or another place may turn the sign
    ratio = abs(ratio) if age_s > ECHO_END_S else ratio
    if ratio < min(WEAK_RISE * math.exp(-max(age_s - ECHO_END_S, 0.0) / TAIL_S), most):
        return False
    if age_s < CONTACT_S:
        # a contact is about as long again after its crest; at its end the slope is undone
        since = hops.mean[max(last_hop, 0) : hop]
        crest = int(np.argmax(since if upwards else -since)) if len(since) else 0
        before = hops.mean[hop - 1] - hops.mean[hop - 4]
        after = hops.mean[hop + 4] - hops.mean[hop + 1]
        jump = after - before
        whole = 1.2 * crest < hop - last_hop < 3.5 * crest
        return not (whole and before * jump < -0.25 * jump * jump)
    return True
