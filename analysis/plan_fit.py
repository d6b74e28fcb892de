"""Fits a plan to the onsets themselves, where no markers were recorded."""

from __future__ import annotations

import contextlib

import numpy as np
import numpy.typing as npt

from analysis.align import RATE_ERROR, Pairs, align
from analysis.timeline import TimeLine
from analysis.wander_fit import fit_line
from rig.record.bench_fault import BenchError
from rig.record.limits import TICKS_PER_S

Floats = npt.NDArray[np.float64]

ONSET_TOLERANCE_S = 1.5e-3
"""Scatter of a strike's flight from coil to contact, where onsets stand in for markers."""
FLIGHTS_APART_S = 8e-3
"""... and of strikes of unlike forces: a soft stroke's flight is thrice a hard one's."""
LONELY_S = 0.06
LEAST_ALIKE, LEAST_LONELY = 5, 12
"""Strikes that a plan is fitted by, at least: of one force, or of unlike ones that stand alone."""
SURER_BY = 1.25
"""They must lie so many times nearer to their line than if the plan were off by a stroke or two."""
LEAST_SHARE = 0.8
"""Share of strikes that stand alone that must find their onset."""


def fit_onsets(
    onset_s: npt.ArrayLike, planned_ticks: npt.ArrayLike, alike: npt.ArrayLike | None = None
) -> TimeLine:
    """Fit a plan to the onsets themselves, where no markers were recorded.

    The mean flight from coil to contact can't be told from the offset and is in it, so that only
    the order and the rough place of strokes come from this line; its scatter is that of flights.
    Where flights differ too much, the line is that of the strikes of one force, or, where no
    forces are known, of all that stand alone.

    Parameters
    ----------
    onset_s
        (n,) onsets on the audio clock.
    planned_ticks
        (m,) planned coil times on any zero.
    alike
        (m,) number that strikes of one force share; 0: not known. None: of none is it known.

    Raises
    ------
    BenchError
        Fewer than 3 match, fewer than half of the strikes, or the match could be off by one.
    """
    target = np.sort(np.asarray(onset_s, dtype=np.float64))
    source = np.asarray(planned_ticks).astype(np.float64) / TICKS_PER_S
    order = np.argsort(source, kind="stable")
    kind = np.zeros(len(source)) if alike is None else np.asarray(alike, dtype=np.float64)[order]
    source = source[order]
    pairs = align(source, target, tolerance_s=ONSET_TOLERANCE_S)
    matched = len(pairs.source)
    if matched < 3 or matched < 0.5 * len(source) or not _sure(source, target, pairs):
        pairs = _fit_of_some(source, target, kind)
    if len(pairs.source) == 0:
        raise BenchError(
            f"fitting a plan of {len(source)} strikes to {len(target)} onsets: only "
            f"{matched} match; at least half (and 3) are needed. Check that the protocol "
            "is the one that was struck, and the level of the sensor"
        )
    return fit_line(source[pairs.source], target[pairs.target], len(source), len(target), "onsets")


def _fit_of_some(source_s: Floats, target_s: Floats, kind: Floats) -> Pairs:
    """Match those strikes of one force that match best, or else those that stand alone."""
    best = Pairs(np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64))
    for one in np.unique(kind[kind != 0.0]):
        some = np.flatnonzero(kind == one)
        with contextlib.suppress(BenchError):  # of a few evenly spaced ones the match is not sure
            pairs = align(source_s[some], target_s, tolerance_s=ONSET_TOLERANCE_S)
            enough = max(len(best.source), LEAST_ALIKE - 1, 0.5 * len(some))
            if len(pairs.source) > enough and _sure(source_s[some], target_s, pairs):
                best = Pairs(some[pairs.source], pairs.target)
    if len(best.source):
        return best
    apart = np.diff(source_s, prepend=-np.inf, append=np.inf) > LONELY_S
    some = np.flatnonzero(apart[:-1] & apart[1:])
    pairs = align(source_s[some], target_s, tolerance_s=0.5 * FLIGHTS_APART_S)
    if len(pairs.source) < LEAST_LONELY or not _sure(source_s[some], target_s, pairs):
        return best
    # another plan of like intervals can be followed for a while, but keeps to no line
    near = np.abs(_off_line(source_s[some], target_s, pairs, 0)) <= FLIGHTS_APART_S
    if near.sum() < LEAST_SHARE * len(some):
        return best
    held = near[pairs.source]
    return Pairs(some[pairs.source[held]], pairs.target[held])


def _sure(source_s: Floats, target_s: Floats, pairs: Pairs) -> bool:
    """Off by a strike or two the strikes would lie clearly farther from onsets."""
    spread = [
        float(np.sqrt(np.mean(_off_line(source_s, target_s, pairs, shift) ** 2)))
        for shift in (0, -2, -1, 1, 2)
    ]
    return min(spread[1:]) >= SURER_BY * spread[0]


def _off_line(source_s: Floats, target_s: Floats, pairs: Pairs, shift: int) -> Floats:
    """How far each strike's nearest onset lies off the line of pairs so many strikes later."""
    place = pairs.source + shift
    there = (place >= 0) & (place < len(source_s))
    far = np.full(len(source_s), 2.0 * FLIGHTS_APART_S)
    if there.sum() < 3:
        return far
    x, y = source_s[place[there]], target_s[pairs.target[there]]
    slope = np.clip(np.polyfit(x - x.mean(), y - x, 1)[0], -RATE_ERROR, RATE_ERROR)
    line = source_s + slope * (source_s - x.mean()) + np.median(y - x - slope * (x - x.mean()))
    right = np.clip(np.searchsorted(target_s, line), 0, len(target_s) - 1)
    off = np.stack([target_s[right] - line, target_s[np.maximum(right - 1, 0)] - line])
    off = off[np.abs(off).argmin(axis=0), np.arange(len(line))]
    off = off - np.median(off)
    held: Floats = np.clip(off, -far, far)
    return held
