"""Which trial next? Bayesian search for a resolvable rate, a flam gap or the softest sure stroke.

Sought is the level (rate, gap or force) from which on a trial comes out right with the chance
demanded. On the good side of it the chance follows a logistic curve, of any sharpness, up to a
lapse. On the bad side each level may lie on that curve or, off it, have any chance below the one
demanded: a module that recovers late has plateaus there, and pads that ring on make the chance
rise and fall. A grid holds every combination; each trial is struck at the level whose outcome
tells most about the level sought (least expected entropy), and the search stops at the precision
demanded.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special
from scipy.optimize import isotonic_regression

from analysis.found import Found
from rig.record.bench_fault import BenchError

Array = NDArray[np.float64]

_BINS = 48
_PLACES = 121
_SHARPEST = 0.03
"""Least width of a curve, in steps of the ladder: nothing sharper can be told from a jump."""
_SMOOTH = 0.25
"""Width from which on a curve spreads over several levels."""
_OFF_CURVE = {False: (0.0, 0.9), True: (0.0, 0.4)}
"""Share of the levels on the bad side that do not lie on the curve, of modules of two kinds; by
whether uneven chances are to be expected."""
_KINDS = {False: (0.7, 0.3), True: (0.5, 0.5)}
"""How likely either kind is."""
_GONE = 1e-5
"""What has less than this of the largest weight plays no part any more."""
_UNLIKELY = 0.02
"""A place with less than this of the likeliest one's weight is not looked for."""
_FALLS = 4.0
"""Log likelihood ratio from which on shares that rise and fall are no accident (by simulation: of
modules whose chance rises once none came to 3)."""


class SearchError(BenchError):
    """A search that cannot be set up as asked."""


class Search:
    """One search.

    Parameters
    ----------
    levels
        Levels that the bench can strike, above 0, ascending, at least 3; the first and last are its
        limits.
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
    uneven
        Levels on the bad side often have a chance of their own, and one only a little below the
        target: pairs on pads that ring on. Takes more trials.

    Notes
    -----
    Entropy of the posterior as the criterion: Kontsevich and Tyler 1999, Vision Research 39:2729
    (from memory); here of the level sought alone, the rest being nuisance. Places are counted in
    steps of the ladder, straight between two levels, so that a ladder is searched alike whatever
    its unit and its spacing. Prior: every place alike, up to 0.3 ladders beyond either end; every
    width alike on a log scale.
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
        uneven: bool = False,
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
        steps = self.levels.size - 1
        self.right = np.zeros(steps + 1, dtype=int)
        self.trials = np.zeros(steps + 1, dtype=int)
        self._sign = 1.0 if rising else -1.0
        # a lapse that left the target out of reach would leave nothing to search for
        lapses = np.minimum(np.array([0.0, 0.15, 0.45]) * (1.0 - target), [0.0, 0.01, 0.03])
        # the width moves the level sought, so it goes in finer steps where it does so by much
        widest = max(steps / 8.0, 1.0)
        sharp = np.geomspace(_SHARPEST, _SMOOTH, 4)[:-1]
        smooth = np.geomspace(_SMOOTH, widest, math.ceil(math.log(widest / _SMOOTH) / 0.22) + 1)
        widths = np.concatenate([sharp, smooth])
        alike = np.gradient(np.log(widths))
        self._width, self._lapse, off_curve = (
            axis.ravel() for axis in np.meshgrid(widths, lapses, _OFF_CURVE[uneven], indexing="ij")
        )
        kinds = np.outer([0.7, 0.2, 0.1], _KINDS[uneven])
        self._prior = np.log(np.multiply.outer(alike, kinds)).ravel()
        self._log_off, self._log_curve = np.log(np.maximum(off_curve, 1e-30)), np.log1p(-off_curve)
        self._at_target = special.logit(target / (1.0 - self._lapse))
        # of a level off the curve: log chance of its outcomes, and chance that the next is right
        self._off = np.zeros(steps + 1)
        # off the curve, chances up to the target are alike, or grow likelier in proportion to them
        self._skew = 2 if uneven else 1
        self._off_next = np.full(steps + 1, target * self._skew / (self._skew + 1.0))
        self._ends = (-0.3 * steps, 1.3 * steps)
        self._build(*self._ends)

    def _build(self, least: float, most: float) -> None:
        """Lay the grid between these places, and weigh it by all outcomes so far.

        Arrays are (places, shapes), or (levels, places, shapes).
        """
        self._place = np.linspace(least, most, _PLACES)
        number = np.arange(self.levels.size, dtype=float)
        away = self._sign * (number[:, None] - self._place)
        self._bad = away < 0.0
        rise = special.expit(away[:, :, None] / self._width + self._at_target)
        self._chance = np.clip((1.0 - self._lapse) * rise, 1e-9, 1.0 - 1e-6)
        self._on = np.zeros_like(self._chance)
        self._told = {int(i): self._likelihood(int(i)) for i in np.flatnonzero(self.trials)}
        self._log_weight = np.zeros(self._chance.shape[1:]) + self._prior
        for told in self._told.values():
            self._log_weight += told

    def _likelihood(self, level: int) -> Array:
        """Log chance of a level's outcomes, for each combination."""
        right, wrong = self.right[level], self.trials[level] - self.right[level]
        on = right * np.log(self._chance[level]) + wrong * np.log1p(-self._chance[level])
        self._on[level] = on

        def mean_off(hits: int) -> float:
            """Log chance of so many hits and the misses, over all chances below the target."""
            start = hits + self._skew
            below = special.betainc(start, wrong + 1, self.target)
            size = self._skew / self.target**self._skew
            return float(special.betaln(start, wrong + 1) + np.log(max(below, 1e-300) * size))

        self._off[level] = mean_off(right)
        self._off_next[level] = math.exp(min(mean_off(right + 1) - self._off[level], 0.0))
        mixed = np.logaddexp(on + self._log_curve, self._off[level] + self._log_off)
        return np.asarray(np.where(self._bad[level][:, None], mixed, on), dtype=float)

    def _weight(self) -> Array:
        weight = np.exp(self._log_weight - self._log_weight.max())
        return np.asarray(weight / weight.sum(), dtype=float)

    def next_level(self, among: ArrayLike | None = None) -> float:
        """Level whose outcome is expected to leave the least entropy about the level sought.

        ``among``: levels that can still be struck, of those given; all of them if left out.
        """
        weight = self._weight()
        alive = weight > _GONE * weight.max()
        place, shape = np.nonzero(alive)
        weight = weight[alive]
        # bins of equal posterior chance follow the search as it closes in
        share = np.cumsum(weight)
        edges = np.searchsorted(share, np.linspace(0.0, share[-1], _BINS + 1)[1:-1])
        starts = np.unique(np.concatenate([[0], edges]))
        in_bin = np.add.reduceat(weight, starts)
        chance = self._chance[:, alive]
        odds_off = self._off[:, None] - self._on[:, alive]
        odds_off += (self._log_off - self._log_curve)[shape]
        off = np.where(self._bad[:, place], special.expit(odds_off), 0.0)
        chance = chance + off * (self._off_next[:, None] - chance)
        right_in_bin = np.add.reduceat(chance * weight, starts, axis=1)
        right = np.clip(right_in_bin / np.maximum(in_bin, 1e-300), 0.0, 1.0)
        outcome = np.clip(right_in_bin.sum(axis=1) / weight.sum(), 0.0, 1.0)
        told = _binary_entropy(outcome) - (_binary_entropy(right) @ in_bin) / weight.sum()
        # far from where the level sought may lie, one tells of the curve's other side alone
        likely = self._place[self._likely(_UNLIKELY)]
        number = np.arange(self.levels.size)
        near = (number > likely[0] - 1.0) & (number < likely[-1] + 1.0)
        struck = np.ones_like(near) if among is None else np.isin(self.levels, among)
        told = np.where(struck & near if (struck & near).any() else struck, told, -np.inf)
        return float(self.levels[int(np.argmax(told))])

    def record(self, level: float, right: int, trials: int = 1) -> None:
        """Take in outcomes at one of the levels: how many of the trials came out right."""
        place = int(np.argmin(np.abs(self.levels - level)))
        if not math.isclose(self.levels[place], level, rel_tol=1e-6) or not 0 <= right <= trials:
            raise SearchError(
                f"search: {right} of {trials} right at {level}; the level must be one of those "
                f"given ({self.levels[0]:g}..{self.levels[-1]:g}), and right at most all"
            )
        self.right[place] += right
        self.trials[place] += trials
        told = self._likelihood(place)
        self._log_weight = self._log_weight + told - self._told.get(place, 0.0)
        self._told[place] = told
        self._refine()

    def _refine(self) -> None:
        """Lay the grid anew about what is still likely, or wide again if that leaves it."""
        likely = self._likely()
        least, most = self._ends
        first, last = self._place[0], self._place[-1]
        left = (likely[0] == 0 and first > least) or (likely[-1] == _PLACES - 1 and last < most)
        if left:
            self._build(least, most)
            likely = self._likely()
        step = self._place[1] - self._place[0]
        least = max(least, float(self._place[likely[0]] - 2.0 * step))
        most = min(most, float(self._place[likely[-1]] + 2.0 * step))
        if most - least < 0.6 * (self._place[-1] - self._place[0]):
            self._build(least, most)

    def _likely(self, share: float = _GONE) -> NDArray[np.intp]:
        weight = self._weight().sum(axis=1)
        return np.flatnonzero(weight > share * weight.max())

    def found(self) -> Found:
        """What is known now; without a trial, nothing (NaN)."""
        trials = int(self.trials.sum())
        if trials == 0:
            return Found(
                value=math.nan, low=math.nan, high=math.nan, confidence=self.confidence,
                bound="", done=False, stuck=False, falls=False, trials=0,
            )  # fmt: skip
        weight = self._weight().sum(axis=1)
        share = np.cumsum(weight) - 0.5 * weight
        tail = (1.0 - self.confidence) / 2.0
        places = np.interp([tail, 0.5, 1.0 - tail], share, self._place)
        low, value, high = (self._level_at(float(place)) for place in places)
        least, most, last = float(self.levels[0]), float(self.levels[-1]), self.levels.size - 1
        # that far beyond the levels it is the end of the places that ends the interval
        cut = places[0] < self._ends[0] / 2.0 or places[2] > (last + self._ends[1]) / 2.0
        done = not cut and high - low <= self.precision
        bound = ""
        past_least, past_most = places[0] < 0.0, places[2] > last
        if past_most and not past_least:
            beyond = float(weight[self._place >= last].sum()) >= self.confidence
            value = low = most if beyond else min(low, most)
            bound, high, done = "at_least", math.inf, done or beyond
        elif past_least and not past_most:
            beyond = float(weight[self._place <= 0.0].sum()) >= self.confidence
            value = high = least if beyond else max(high, least)
            bound, low, done = "at_most", -math.inf, done or beyond
        between = places[0] >= 0.0 and math.floor(places[0]) == math.ceil(places[2]) - 1
        return Found(
            value=value, low=low, high=high, confidence=self.confidence, bound=bound, done=done,
            stuck=bool(not done and between and places[2] <= last),
            falls=self._falls(), trials=trials,
        )  # fmt: skip

    def _level_at(self, place: float) -> float:
        """Level at a place of the ladder; beyond its ends its last step goes on, not below 0."""
        below = min(max(math.floor(place), 0), self.levels.size - 2)
        step = self.levels[below + 1] - self.levels[below]
        return max(float(self.levels[below] + (place - below) * step), 0.0)

    def _falls(self) -> bool:
        """Whether shares free of each other explain the outcomes far better than monotone ones."""
        struck = self.trials > 0
        right, trials = self.right[struck], self.trials[struck]
        share = right / trials
        monotone = np.asarray(isotonic_regression(share, weights=trials, increasing=self.rising).x)
        free = special.xlogy(right, share) + special.xlog1py(trials - right, -share)
        held = special.xlogy(right, monotone) + special.xlog1py(trials - right, -monotone)
        return bool((free - held).sum() > _FALLS)

    @property
    def finished(self) -> bool:
        """Whether to stop: done, no trials left, or the levels too far apart to tell more."""
        found = self.found()
        return int(self.trials.sum()) >= self.most_trials or found.done or found.stuck


def _binary_entropy(chance: Array) -> Array:
    return np.asarray(special.entr(chance) + special.entr(1.0 - chance), dtype=float)
