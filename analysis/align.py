"""Which of one clock's events is which of the other's, with some lost and some false on each side."""

from __future__ import annotations

import dataclasses

import numpy as np
import numpy.typing as npt

from rig.record.bench_fault import BenchError

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

RATE_ERROR = 400e-6
"""Two crystals differ by less than this (each within 100 ppm; common practice, no source), with room
for a warm one."""
SEED_EVENTS = 60
SEED_PLACES = 3
TRACK_EVENTS = 40
REACQUIRE_AFTER = 12


@dataclasses.dataclass(frozen=True)
class Pairs:
    """Matched events: places in the one list and in the other, both rising."""

    source: Ints
    target: Ints


def align(
    source_s: Floats,
    target_s: Floats,
    source_code: Ints | None = None,
    target_code: Ints | None = None,
    tolerance_s: float = 100e-6,
    rate_error: float = RATE_ERROR,
) -> Pairs:
    """Match two lists of times of the same events on clocks of unknown offset and rate error.

    A few dozen neighbours give the offset: of all differences between the lists, the true one is
    the most frequent. From there the match is followed forwards and backwards with a line through
    the latest pairs, so that slow wander is no hindrance.

    Parameters
    ----------
    source_s, target_s
        (n,), (m,) rising times on the two clocks, in nominal seconds.
    source_code, target_code
        Kind of each event: only equal kinds match, and -1 matches none. None: all are equal.
    tolerance_s
        Scatter of an event about its place.
    rate_error
        Largest relative difference of the clocks.

    Returns
    -------
    Pairs
        Empty if either list is empty.

    Raises
    ------
    BenchError
        Two offsets explain the lists about equally well: any choice could be off by one event.
    """
    nothing = Pairs(np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64))
    if len(source_s) == 0 or len(target_s) == 0:
        return nothing
    if source_code is None or target_code is None:
        source_code = np.zeros(len(source_s), dtype=np.int64)
        target_code = np.zeros(len(target_s), dtype=np.int64)
    lists = _Lists(source_s, target_s, source_code, target_code, tolerance_s, rate_error)
    places = np.unique(np.linspace(0, max(len(source_s) - SEED_EVENTS, 0), SEED_PLACES).astype(int))
    best: tuple[int, Pairs] = (0, nothing)
    for place in places:
        found = lists.seed(int(place))
        if found is not None:
            pairs = lists.follow(*found)
            if len(pairs.source) > best[0]:
                best = (len(pairs.source), pairs)
        if best[0] > 0.9 * len(source_s):
            break
    return best[1]


class _Lists:
    def __init__(
        self,
        source_s: Floats,
        target_s: Floats,
        source_code: Ints,
        target_code: Ints,
        tolerance_s: float,
        rate_error: float,
    ) -> None:
        self.source_s, self.target_s = source_s, target_s
        self.source_code, self.target_code = source_code, target_code
        self.tolerance_s, self.rate_error = tolerance_s, rate_error

    def seed(self, place: int) -> tuple[int, float, float] | None:
        """(event, offset, rate) about a place: that which matches most neighbours; None if few."""
        some = np.arange(place, min(place + SEED_EVENTS, len(self.source_s)))
        some = some[self.source_code[some] >= 0]
        if not len(some):
            return None
        times = self.source_s[some]
        middle = float(times.mean())
        reach = max(self.rate_error * float(np.ptp(times)), 2 * self.tolerance_s)
        apart = self.target_s[None, :] - times[:, None]
        apart = apart[self.source_code[some][:, None] == self.target_code[None, :]]
        if not len(apart):
            return None
        apart.sort()
        count = np.searchsorted(apart, apart + reach, side="right") - np.arange(len(apart))
        tried: list[tuple[int, float, float]] = []
        for k in np.argsort(-count, kind="stable")[:400]:
            offset = float(apart[k]) + 0.5 * reach
            if any(abs(offset - other[1]) < 0.25 * reach for other in tried):
                continue
            if len(tried) == 24 or count[k] < 0.3 * count.max():
                break
            tried.append((0, offset, 1.0))
        scored = [self._sharpen(some, middle, offset, reach) for _, offset, _ in tried]
        scored.sort(reverse=True)
        top = scored[0]
        least = max(3, round(0.3 * len(some)))
        if top[0] < least:
            return None
        distinct = [
            other for other in scored[1:] if abs(other[1] - top[1]) > 2 * self.tolerance_s
        ]
        if distinct and distinct[0][0] >= top[0] - 1 and top[0] < len(some) + 1:
            if distinct[0][0] == top[0] or top[0] < 4:
                raise BenchError(
                    f"fitting {len(some)} events about {middle:.3f} s to the other clock: offsets "
                    f"of {top[1]:.4f} s and {distinct[0][1]:.4f} s match {top[0]} and "
                    f"{distinct[0][0]} of them, so the match could be off by one. Check that the "
                    "marker preamble of each burst is in the recording (marker cable, channel, "
                    "level), and that the recording began before the first burst"
                )
        return int(some[len(some) // 2]), top[1], top[2]

    def _sharpen(
        self, some: Ints, middle: float, offset: float, reach: float
    ) -> tuple[int, float, float]:
        """Improve an offset and rate about the middle; (pairs matched, offset there, rate)."""
        rate, width, count = 1.0, reach, 0
        for _ in range(6):
            guess = middle + offset + rate * (self.source_s[some] - middle)
            k, away = self._nearest(some, guess)
            good = np.abs(away) <= width
            count = len(np.unique(k[good]))
            if count < 3:
                return count, offset, rate
            x, y = self.source_s[some][good] - middle, self.target_s[k[good]] - middle
            centre = float(np.median(y - rate * x))
            slope = np.polyfit(x, y - centre, 1) if np.ptp(x) > 0 else np.array([rate, 0.0])
            rate = float(np.clip(slope[0], 1 - self.rate_error, 1 + self.rate_error))
            offset = float(np.median(y - rate * x))
            width = max(0.3 * width, self.tolerance_s)
        return count, offset, rate

    def _nearest(self, some: Ints, guess_s: Floats) -> tuple[Ints, Floats]:
        """Nearest target of the same kind for each source, and how far it is off (inf: none)."""
        k = np.zeros(len(some), dtype=np.int64)
        away = np.full(len(some), np.inf)
        for code in np.unique(self.source_code[some]):
            mine = np.flatnonzero(self.source_code[some] == code)
            theirs = np.flatnonzero(self.target_code == code)
            if code < 0 or not len(theirs):
                continue
            right = np.clip(np.searchsorted(self.target_s[theirs], guess_s[mine]), 0, len(theirs) - 1)
            left = np.maximum(right - 1, 0)
            far_right = self.target_s[theirs[right]] - guess_s[mine]
            far_left = self.target_s[theirs[left]] - guess_s[mine]
            take = np.abs(far_left) < np.abs(far_right)
            k[mine] = theirs[np.where(take, left, right)]
            away[mine] = np.where(take, far_left, far_right)
        return k, away

    def follow(self, start: int, offset: float, rate: float) -> Pairs:
        """Follow the match from one event to both ends, in stretches of a few dozen events."""
        middle = float(self.source_s[start])
        source: list[int] = []
        target: list[int] = []
        first_line = (middle, middle + offset, rate)
        for step in (1, -1):
            line = first_line
            recent: list[tuple[float, float]] = []
            missed = 0
            k = start if step > 0 else start - 1
            while 0 <= k < len(self.source_s):
                x = float(self.source_s[k])
                x0, y0, slope = line
                guess = y0 + slope * (x - x0)
                if self.source_code[k] >= 0:
                    j, away = self._nearest(np.array([k]), np.array([guess]))
                    # away from the latest pairs the rate is known to a few ppm only
                    room = self.tolerance_s * 3 + 5e-6 * abs(x - (recent[-1][0] if recent else x0))
                    if abs(away[0]) <= room:
                        source.append(k)
                        target.append(int(j[0]))
                        recent.append((x, float(self.target_s[j[0]])))
                        missed = 0
                        line = self._line(recent[-TRACK_EVENTS:], line)
                    else:
                        missed += 1
                        if missed > REACQUIRE_AFTER and len(recent) < 3:
                            break
                k += step
        return _one_to_one(np.array(source, dtype=np.int64), np.array(target, dtype=np.int64))

    def _line(
        self, recent: list[tuple[float, float]], old: tuple[float, float, float]
    ) -> tuple[float, float, float]:
        """Line through the latest pairs; the rate is kept while they span too little."""
        x, y = np.array(recent).T
        x0 = float(x[-1])
        span = float(np.ptp(x))
        slope = old[2]
        if len(recent) >= 8 and span > 2.0:
            slope = float(np.polyfit(x - x0, y - y[-1], 1)[0])
            slope = float(np.clip(slope, 1 - self.rate_error, 1 + self.rate_error))
        near = slice(-8, None)
        return x0, float(np.median(y[near] - slope * (x[near] - x0))), slope


def _one_to_one(source: Ints, target: Ints) -> Pairs:
    """Sort, and drop pairs that share a target or run backwards."""
    order = np.argsort(source)
    source, target = source[order], target[order]
    keep = np.ones(len(source), dtype=bool)
    if len(source) > 1:
        keep[1:] = np.diff(np.maximum.accumulate(target)) > 0
    return Pairs(source[keep], target[keep])
