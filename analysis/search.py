"""Which trial next? Bayesian search for a resolvable rate, a flam gap or the softest sure stroke.

The chance that a trial comes out right is a logistic curve of its level (rate, gap or force) with a
threshold, a width, a lapse, and a floor: beyond its dead time a module still answers some strokes,
late, by their ringing. A grid holds the chance of every combination; each trial is struck
at the level whose outcome tells most about the level sought (least expected entropy), and the
search stops at the precision demanded.
"""

from __future__ import annotations

import dataclasses
import functools
import math

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from rig.record.bench_fault import BenchError

Array = NDArray[np.float64]

_BINS = 48


class SearchError(BenchError):
    """A search that cannot be set up as asked."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Found:
    """What a search knows.

    Attributes
    ----------
    value, low, high
        Level at which the demanded share comes out right: posterior median and interval.
    bound
        ``at_least``/``at_most``: the bench's own limit stands in the way, and ``value`` is that
        limit; ``""`` otherwise.
    done
        Precision reached, or the bench's limit shown.
    """

    value: float
    low: float
    high: float
    confidence: float
    bound: str
    done: bool
    trials: int
    method: str = "Bayesian grid, logistic with lapse and floor"


@functools.lru_cache(maxsize=16)
def _grid(
    levels: tuple[float, ...], rising: bool, target: float
) -> tuple[Array, Array, Array, Array]:
    """Return the level sought, log prior, and log chances of right and wrong of each combination.

    Shapes (combinations,) and (levels, combinations), in ascending order of the level sought.
    """
    span = levels[-1] - levels[0]
    # the threshold may lie beyond what the bench can strike
    thresholds = np.linspace(levels[0] - 0.3 * span, levels[-1] + 0.3 * span, 201)
    widths = np.geomspace(span / 200.0, span / 8.0, 16)
    # one that left the target out of reach would leave nothing to search for
    lapses = np.minimum(np.array([0.0, 0.15, 0.45]) * (1.0 - target), [0.0, 0.01, 0.03])
    floors = np.array([0.0, 0.4, 0.7]) * min(1.0, 2.0 * (target - 0.4))
    threshold, width, lapse, floor = (
        axis.ravel() for axis in np.meshgrid(thresholds, widths, lapses, floors, indexing="ij")
    )
    sign = 1.0 if rising else -1.0
    asked = (target - floor) / (1.0 - lapse - floor)
    sought = threshold + sign * width * special.logit(asked)
    order = np.argsort(sought, kind="stable")
    rise = special.expit(sign * (np.asarray(levels)[:, None] - threshold) / width)
    chance = floor + (1.0 - lapse - floor) * rise
    chance = np.clip(chance[:, order], 1e-6, 1.0 - 1e-6)
    prior = np.log(np.array([0.7, 0.2, 0.1]))[np.searchsorted(lapses, lapse)]
    prior += np.log(np.array([0.5, 0.25, 0.25]))[np.searchsorted(floors, floor)]
    return sought[order], prior[order], np.log(chance), np.log1p(-chance)


class Search:
    """One search.

    Parameters
    ----------
    levels
        Levels that the bench can strike, ascending, at least 3; the first and last are its limits.
    rising
        The chance of a right outcome grows with the level (gap, force), or falls (rate).
    target
        Share of right outcomes that is demanded.
    precision
        Width of the interval at which to stop, in the level's unit.
    confidence
        Of the interval.
    most_trials
        Stop here at the latest; ``done`` stays False.

    Notes
    -----
    Entropy of the posterior as the criterion: Kontsevich and Tyler 1999, Vision Research 39:2729
    (from memory); here of the level sought alone, the rest being nuisance.
    """

    def __init__(
        self,
        levels: ArrayLike,
        *,
        rising: bool,
        precision: float,
        target: float = 0.95,
        confidence: float = 0.95,
        most_trials: int = 400,
    ) -> None:
        self.levels = np.asarray(levels, dtype=float)
        if self.levels.size < 3 or not (np.diff(self.levels) > 0.0).all():
            raise SearchError(
                f"search: {self.levels.size} levels given; at least 3, ascending, are needed"
            )
        if not (0.5 <= target < 1.0 and precision > 0.0 and 0.5 < confidence < 1.0):
            raise SearchError(
                f"search: target {target}, precision {precision}, confidence {confidence}; target "
                "must lie in 0.5..1, precision above 0, confidence in 0.5..1"
            )
        self.rising, self.target, self.precision = rising, target, precision
        self.confidence, self.most_trials = confidence, most_trials
        self.right = np.zeros(self.levels.size, dtype=int)
        self.trials = np.zeros(self.levels.size, dtype=int)
        grid = _grid(tuple(self.levels.tolist()), rising, target)
        self._sought, self._log_weight, self._log_right, self._log_wrong = grid

    def _weight(self) -> Array:
        weight = np.exp(self._log_weight - self._log_weight.max())
        return np.asarray(weight / weight.sum(), dtype=float)

    def next_level(self, among: ArrayLike | None = None) -> float:
        """Level whose outcome is expected to leave the least entropy about the level sought.

        ``among``: levels that can still be struck, of those given; all of them if left out.
        """
        # what has become next to impossible tells nothing, and most of the grid soon has
        alive = self._log_weight > self._log_weight.max() - 14.0
        weight = self._weight()[alive]
        # bins of equal posterior chance follow the search as it closes in
        share = np.cumsum(weight)
        edges = np.searchsorted(share, np.linspace(0.0, share[-1], _BINS + 1)[1:-1])
        starts = np.unique(np.concatenate([[0], edges]))
        in_bin = np.add.reduceat(weight, starts)
        chance = np.exp(self._log_right[:, alive])
        right_in_bin = np.add.reduceat(chance * weight, starts, axis=1)
        right = right_in_bin / np.maximum(in_bin, 1e-300)
        outcome = right_in_bin.sum(axis=1)
        told = _binary_entropy(outcome) - (_binary_entropy(right) * in_bin).sum(axis=1)
        if among is not None:
            told = np.where(np.isin(self.levels, among), told, -np.inf)
        return float(self.levels[int(np.argmax(told))])

    def record(self, level: float, right: int, trials: int = 1) -> None:
        """Take in outcomes at one of the levels: how many of the trials came out right."""
        place = int(np.argmin(np.abs(self.levels - level)))
        if not math.isclose(self.levels[place], level, rel_tol=1e-6) or not 0 <= right <= trials:
            raise SearchError(
                f"search: {right} of {trials} right at {level}; the level must be one of those "
                f"given ({self.levels[0]:g}..{self.levels[-1]:g}), and right at most all"
            )
        self._log_weight = (
            self._log_weight
            + right * self._log_right[place]
            + (trials - right) * self._log_wrong[place]
        )
        self.right[place] += right
        self.trials[place] += trials

    def found(self) -> Found:
        """What is known now; without a trial, nothing (NaN)."""
        trials = int(self.trials.sum())
        if trials == 0:
            nan = math.nan
            return Found(
                value=nan,
                low=nan,
                high=nan,
                confidence=self.confidence,
                bound="",
                done=False,
                trials=0,
            )
        weight = self._weight()
        share = np.cumsum(weight)
        tail = (1.0 - self.confidence) / 2.0
        low, value, high = (float(self._at(share, p)) for p in (tail, 0.5, 1.0 - tail))
        least, most = float(self.levels[0]), float(self.levels[-1])
        # chance that the bench cannot go where the level sought lies, on the good side and the bad
        above = float(weight[self._sought >= most].sum())
        below = float(weight[self._sought <= least].sum())
        bound = ""
        if above >= self.confidence:
            bound, value, low = "at_least", most, most
            high = math.inf
        elif below >= self.confidence:
            bound, value, high = "at_most", least, least
            low = -math.inf
        done = bool(bound) or high - low <= self.precision
        return Found(
            value=value,
            low=low,
            high=high,
            confidence=self.confidence,
            bound=bound,
            done=done,
            trials=trials,
        )

    def _at(self, share: Array, p: float) -> float:
        return float(np.interp(p, share, self._sought))

    @property
    def finished(self) -> bool:
        """Whether to stop: done, or no trials left."""
        return int(self.trials.sum()) >= self.most_trials or self.found().done


def _binary_entropy(chance: Array) -> Array:
    return np.asarray(special.entr(chance) + special.entr(1.0 - chance), dtype=float)
