"""Which of one clock's events is which of the other's, some lost and some false on each side."""

from __future__ import annotations

import bisect
import dataclasses
import math

import numpy as np
import numpy.typing as npt

from rig.record.bench_fault import BenchError

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

RATE_ERROR = 400e-6
"""Two crystals differ by less than this (each within 100 ppm; common practice, no source), with
room for a warm one."""
SEED_EVENTS = 60
SEED_PLACES = 3
GUESSES = 40
TRACK_EVENTS = 40
MISSED_MOST = 40


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
    best, runner_up = nothing, nothing
    for place in places:
        # a pattern may be struck again and again: only the whole run then tells which is which
        tried = [lists.follow(*seed) for seed in lists.seeds(int(place))]
        tried.sort(key=lambda pairs: len(pairs.source), reverse=True)
        if tried and len(tried[0].source) > len(best.source):
            best = tried[0]
            others = [pairs for pairs in tried[1:] if _contradict(pairs, best)]
            runner_up = others[0] if others else nothing
        if len(best.source) > 0.9 * len(source_s):
            break
    matched, other = len(best.source), len(runner_up.source)
    whole = matched == len(source_s)
    if matched and other >= matched - (0 if whole else 1):
        raise BenchError(
            f"matching {len(source_s)} events to {len(target_s)} on another clock: two offsets "
            f"match {matched} and {other} of them, so the match could be off by one. Check that "
            "the marker preamble of each burst is in the recording (marker cable, channel, level), "
            "and that the recording began before the first burst"
        )
    return best


def _contradict(one: Pairs, other: Pairs) -> bool:
    """Both match the same events, and most of them otherwise.

    Where a clock has jumped, two offsets are true, each of events of its own.
    """
    _, i, j = np.intersect1d(one.source, other.source, return_indices=True)
    shared = max(len(i), len(np.intersect1d(one.target, other.target)))
    alike = int((one.target[i] == other.target[j]).sum())
    return alike <= 0.5 * shared and shared > 0.25 * min(len(one.source), len(other.source))


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
        # plain lists: the match is followed one event at a time
        self._source = list(zip(source_s.tolist(), source_code.tolist(), strict=True))
        self._targets = {
            int(code): (
                np.flatnonzero(target_code == code).tolist(),
                target_s[target_code == code].tolist(),
            )
            for code in np.unique(target_code)
            if code >= 0
        }

    def seeds(self, place: int) -> list[tuple[int, float, float]]:
        """(event, offset, rate) about a place, for all offsets that match most neighbours."""
        some = np.arange(place, min(place + SEED_EVENTS, len(self.source_s)))
        some = some[self.source_code[some] >= 0]
        if not len(some):
            return []
        times = self.source_s[some]
        middle = float(times.mean())
        reach = max(self.rate_error * float(np.ptp(times)), 2 * self.tolerance_s)
        apart = self.target_s[None, :] - times[:, None]
        apart = apart[self.source_code[some][:, None] == self.target_code[None, :]]
        if not len(apart):
            return []
        apart.sort()
        count = np.searchsorted(apart, apart + reach, side="right") - np.arange(len(apart))
        guesses: list[float] = []
        for k in np.argsort(-count, kind="stable")[:4000]:
            offset = float(apart[k]) + 0.5 * reach
            if len(guesses) == GUESSES or count[k] < 0.5 * count.max():
                break
            if all(abs(offset - other) >= 0.25 * reach for other in guesses):
                guesses.append(offset)
        scored = [self._sharpen(some, middle, offset, reach) for offset in guesses]
        top = max(score[0] for score in scored)
        if top < max(3, round(0.3 * len(some))):
            return []
        seeds: list[tuple[int, float, float]] = []
        for score, offset, rate in sorted(scored, reverse=True):
            same = any(abs(offset - other[1]) <= 4 * self.tolerance_s for other in seeds)
            if score >= top - max(2, 0.1 * top) and not same:
                start = int(some[len(some) // 2])
                seeds.append((start, offset + (rate - 1) * (self.source_s[start] - middle), rate))
        return seeds

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
            right = np.clip(
                np.searchsorted(self.target_s[theirs], guess_s[mine]), 0, len(theirs) - 1
            )
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
                x, code = self._source[k]
                x0, y0, slope = line
                j, away = self._closest(code, y0 + slope * (x - x0))
                # away from the latest pairs the rate is known to a few ppm only
                room = self.tolerance_s * 3 + 5e-6 * abs(x - (recent[-1][0] if recent else x0))
                if abs(away) <= room:
                    source.append(k)
                    target.append(j)
                    recent = [*recent[1 - TRACK_EVENTS :], (x, float(self.target_s[j]))]
                    missed = 0
                    line = self._line(recent, line)
                elif code >= 0:
                    missed += 1
                    if missed > MISSED_MOST:
                        break  # lost: what follows would be matched at random
                k += step
        return _one_to_one(np.array(source, dtype=np.int64), np.array(target, dtype=np.int64))

    def _closest(self, code: int, guess_s: float) -> tuple[int, float]:
        """Nearest target of a kind, and how far it is off (inf: none)."""
        places, times = self._targets.get(code, ([], []))
        k = bisect.bisect_left(times, guess_s)
        best = (0, math.inf)
        for i in (k - 1, k):
            if 0 <= i < len(times) and abs(times[i] - guess_s) < abs(best[1]):
                best = (places[i], times[i] - guess_s)
        return best

    def _line(
        self, recent: list[tuple[float, float]], old: tuple[float, float, float]
    ) -> tuple[float, float, float]:
        """Line through the latest pairs; the rate is kept while they span too little."""
        x0, slope = recent[-1][0], old[2]
        if len(recent) >= 8 and abs(x0 - recent[0][0]) > 2.0:
            n = len(recent)
            mean_x = sum(x for x, _ in recent) / n
            mean_y = sum(y for _, y in recent) / n
            over = sum((x - mean_x) * (y - mean_y) for x, y in recent)
            slope = over / sum((x - mean_x) ** 2 for x, _ in recent)
            slope = min(max(slope, 1 - self.rate_error), 1 + self.rate_error)
        levels = sorted(y - slope * (x - x0) for x, y in recent[-8:])
        return x0, levels[len(levels) // 2], slope


def _one_to_one(source: Ints, target: Ints) -> Pairs:
    """Sort, and drop pairs that share a target or run backwards."""
    order = np.argsort(source)
    source, target = source[order], target[order]
    keep = np.ones(len(source), dtype=bool)
    if len(source) > 1:
        keep[1:] = np.diff(np.maximum.accumulate(target)) > 0
    return Pairs(source[keep], target[keep])
