"""Wald's sequential probability ratio test of a share: stop as soon as the strokes have decided."""

from __future__ import annotations

import dataclasses
import math
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rig.record.bench_fault import BenchError

Verdict = Literal["at_most_good", "at_least_bad", "undecided"]


class SequentialTestError(BenchError):
    """A sequential test that cannot be set up as asked, or fed what it was given."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class SequentialTest:
    """Decide between a good share of events (doubles, lost strokes) and a bad one.

    Attributes
    ----------
    good, bad
        Shares as fractions, 0 < good < bad < 1. Between them either verdict may come.
    false_alarm
        Risk of ``at_least_bad`` where the share is ``good``.
    miss
        Risk of ``at_most_good`` where the share is ``bad``.

    Notes
    -----
    Wald 1945, Annals of Mathematical Statistics 16:117. With boundaries (1 - miss)/false_alarm and
    miss/(1 - false_alarm) the risks hold to within the overshoot, which keeps their sum in bounds.
    """

    good: float
    bad: float
    false_alarm: float = 0.05
    miss: float = 0.05

    def __post_init__(self) -> None:
        if not 0.0 < self.good < self.bad < 1.0:
            raise SequentialTestError(
                f"sequential test: good share {self.good}, bad share {self.bad}; they must keep "
                "0 < good < bad < 1"
            )
        if not (0.0 < self.false_alarm < 0.5 and 0.0 < self.miss < 0.5):
            raise SequentialTestError(
                f"sequential test: risks {self.false_alarm} and {self.miss}; each must lie "
                "between 0 and 0.5"
            )

    @property
    def _steps(self) -> tuple[float, float]:
        """Log likelihood ratio gained by an event, and by a stroke without one."""
        return math.log(self.bad / self.good), math.log((1.0 - self.bad) / (1.0 - self.good))

    @property
    def lines(self) -> tuple[float, float, float]:
        """Slope, acceptance intercept (below 0) and rejection intercept of events over strokes."""
        event, none = self._steps
        whole = event - none
        accept = math.log(self.miss / (1.0 - self.false_alarm)) / whole
        reject = math.log((1.0 - self.miss) / self.false_alarm) / whole
        return -none / whole, accept, reject

    def verdict(self, events: int, strokes: int) -> Verdict:
        """Verdict after so many strokes, if none fell before."""
        if not 0 <= events <= strokes:
            raise SequentialTestError(f"sequential test: {events} events in {strokes} strokes")
        slope, accept, reject = self.lines
        excess = events - slope * strokes
        if excess >= reject:
            return "at_least_bad"
        return "at_most_good" if excess <= accept else "undecided"

    def run(self, outcomes: ArrayLike) -> tuple[Verdict, int]:
        """Verdict and the stroke it fell on, from outcomes in order (True: an event).

        Returns
        -------
        verdict, strokes
            ``undecided`` and the number of all strokes where the boundary was not reached; no
            outcomes: ``undecided``, 0.
        """
        verdicts, strokes = self.run_many(np.atleast_2d(np.asarray(outcomes, dtype=bool)))
        names: tuple[Verdict, ...] = ("at_most_good", "undecided", "at_least_bad")
        return names[int(verdicts[0]) + 1], int(strokes[0])

    def run_many(self, outcomes: ArrayLike) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Run many sequences at once, shape (sequences, strokes).

        Returns
        -------
        verdicts, strokes
            1 at least bad, -1 at most good, 0 undecided; strokes used.
        """
        events = np.asarray(outcomes, dtype=bool)
        length = events.shape[1]
        if length == 0:
            empty = np.zeros(len(events), dtype=np.int64)
            return empty, empty.copy()
        slope, accept, reject = self.lines
        excess = np.cumsum(events, axis=1) - slope * np.arange(1, length + 1)
        crossed = (excess >= reject) | (excess <= accept)
        decided = crossed.any(axis=1)
        first = np.where(decided, crossed.argmax(axis=1), length - 1)
        at = excess[np.arange(len(events)), first]
        verdicts = np.where(decided, np.where(at >= reject, 1, -1), 0)
        return verdicts.astype(np.int64), (first + 1).astype(np.int64)

    def expected_strokes(self, share: float) -> float:
        """Mean number of strokes to a verdict at a true share (Wald's approximation)."""
        event, none = self._steps
        upper = math.log((1.0 - self.miss) / self.false_alarm)
        lower = math.log(self.miss / (1.0 - self.false_alarm))
        drift = share * event + (1.0 - share) * none
        if abs(drift) < 1e-12:
            return -upper * lower / (share * event**2 + (1.0 - share) * none**2)
        reach_upper = self.chance_of_bad(share)
        return (reach_upper * upper + (1.0 - reach_upper) * lower) / drift

    def chance_of_bad(self, share: float) -> float:
        """Chance of ``at_least_bad`` at a true share (Wald's operating characteristic)."""
        event, none = self._steps
        upper = math.log((1.0 - self.miss) / self.false_alarm)
        lower = math.log(self.miss / (1.0 - self.false_alarm))
        if share <= 0.0:
            return 0.0
        if share >= 1.0:
            return 1.0

        def excess(h: float) -> float:
            return share * math.exp(h * event) + (1.0 - share) * math.exp(h * none) - 1.0

        # the other root of excess(h) = 0, besides h = 0, lies on the side against the drift
        side = -1.0 if share * event + (1.0 - share) * none > 0.0 else 1.0
        near, far = side * 1e-9, side
        if abs(share * event + (1.0 - share) * none) < 1e-9:
            return -lower / (upper - lower)
        while excess(far) < 0.0:
            far *= 2.0
        for _ in range(200):
            middle = 0.5 * (near + far)
            near, far = (middle, far) if excess(middle) < 0.0 else (near, middle)
        h = 0.5 * (near + far)
        return (1.0 - math.exp(h * lower)) / (math.exp(h * upper) - math.exp(h * lower))


def share_test(good_percent: float, bad_percent: float, confidence: float) -> SequentialTest:
    """Test of a limit on a share: the risk of either wrong verdict is 1 - ``confidence``."""
    risk = min(1.0 - confidence, 0.499)
    return SequentialTest(
        good=good_percent / 100.0, bad=bad_percent / 100.0, false_alarm=risk, miss=risk
    )
