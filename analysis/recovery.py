"""The recovery map: chance that a second stroke is caught, over its gap and level difference.

A detector is blind for its dead time; after it the re-arming level falls exponentially, so that a
softer second stroke must come later, in proportion to how many decibels it is softer. That is the
model, with a logistic transition; a grid of it is weighed by the outcomes.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import special

from rig.record.bench_fault import BenchError

Array = NDArray[np.float64]

LAPSE = 0.01
"""Share of outcomes that no setting explains; keeps one odd outcome from ruling the map."""


_POINTS = (22, 9, 7, 6)
_LEAST_POINTS = 200.0
_PARTS = 5


class RecoveryError(BenchError):
    """A recovery map that cannot be set up or fed as asked."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Contour:
    """Gap at which a share of second strokes is caught, for each level difference.

    ``low``..``high`` at ``confidence``; a bound at an end of the gaps struck is only a bound. NaN
    without a trial.
    """

    share: float
    level_difference_db: Array
    gap_ms: Array
    low_ms: Array
    high_ms: Array
    confidence: float


class RecoveryMap:
    """Chance of being caught, over the cells (gap, level difference) that the bench can strike.

    Parameters
    ----------
    gaps_ms, level_differences_db
        What can be struck, ascending; at least 3 gaps and 1 difference. A difference is the second
        stroke's level over the first's, negative: softer.
    """

    def __init__(self, gaps_ms: ArrayLike, level_differences_db: ArrayLike) -> None:
        self.gaps_ms = np.asarray(gaps_ms, dtype=float)
        self.level_differences_db = np.asarray(level_differences_db, dtype=float)
        good = all((np.diff(a) > 0.0).all() for a in (self.gaps_ms, self.level_differences_db))
        if self.gaps_ms.size < 3 or self.level_differences_db.size < 1 or not good:
            raise RecoveryError(
                f"recovery map: {self.gaps_ms.size} gaps, {self.level_differences_db.size} level "
                "differences; at least 3 and 1, ascending, are needed"
            )
        shape = (self.gaps_ms.size, self.level_differences_db.size)
        self.caught = np.zeros(shape, dtype=int)
        self.trials = np.zeros(shape, dtype=int)
        # dead time (ms); log of milliseconds later for each decibel softer (an exponential release
        # of time constant tau gives 0.115 tau); difference below which the release matters (dB);
        # log width of the transition (ms)
        self._least = np.array(
            [
                0.8 * self.gaps_ms[0],
                math.log(0.02),
                min(self.level_differences_db[0], -1.0),
                math.log(0.08),
            ]
        )
        self._most = np.array([self.gaps_ms[-1], math.log(6.0), 6.0, math.log(3.0)])
        self._build(self._least, self._most)

    def _build(self, least: Array, most: Array) -> None:
        """Lay the grid between these corners, and weigh it by all outcomes so far."""
        axes = [np.linspace(a, b, n) for a, b, n in zip(least, most, _POINTS, strict=True)]
        self._steps = np.array([axis[1] - axis[0] for axis in axes])
        self._points = np.stack([axis.ravel() for axis in np.meshgrid(*axes, indexing="ij")])
        dead, log_per_db, knee, log_width = self._points
        wait_db = np.maximum(0.0, knee - self.level_differences_db[:, None])
        self._gap50 = dead + np.exp(log_per_db) * wait_db
        self._width = np.exp(log_width)
        chance = special.expit((self.gaps_ms[:, None, None] - self._gap50) / self._width)
        chance = LAPSE / 2.0 + (1.0 - LAPSE) * chance
        self._chance = chance.reshape(-1, dead.size)
        self._left = _entropy(self._chance)
        struck = self.trials.ravel() > 0
        caught, missed = self.caught.ravel()[struck], (self.trials - self.caught).ravel()[struck]
        self._log_weight = caught @ np.log(self._chance[struck]) + missed @ np.log1p(
            -self._chance[struck]
        )

    def _refine(self) -> None:
        """Lay the grid anew about what is still likely, once few of its points are."""
        weight = self._weight()
        if 1.0 / float(weight @ weight) > _LEAST_POINTS:
            return
        likely = self._points[:, self._log_weight > self._log_weight.max() - 9.0]
        least = np.maximum(self._least, likely.min(axis=1) - self._steps)
        most = np.minimum(self._most, likely.max(axis=1) + self._steps)
        extent = self._steps * (np.array(_POINTS) - 1)
        if np.prod((most - least) / extent) < 0.4:
            self._build(least, most)

    def _weight(self) -> Array:
        weight = np.exp(self._log_weight - self._log_weight.max())
        return np.asarray(weight / weight.sum(), dtype=float)

    def _cell(self, gap_ms: float, difference_db: float) -> tuple[int, int]:
        i = int(np.argmin(np.abs(self.gaps_ms - gap_ms)))
        j = int(np.argmin(np.abs(self.level_differences_db - difference_db)))
        near = math.isclose(self.gaps_ms[i], gap_ms, abs_tol=1e-6) and math.isclose(
            self.level_differences_db[j], difference_db, abs_tol=1e-6
        )
        if not near:
            raise RecoveryError(
                f"recovery map: outcome at {gap_ms} ms, {difference_db} dB; the nearest cell is "
                f"{self.gaps_ms[i]:g} ms, {self.level_differences_db[j]:g} dB"
            )
        return i, j

    def next_trial(self, open_cells: ArrayLike | None = None) -> tuple[float, float]:
        """Gap and level difference whose outcome is expected to tell most about the whole map.

        ``open_cells``: shape (gaps, differences), cells that can still be struck; all if left out.
        """
        weight = self._weight()
        told = _entropy(self._chance @ weight) - self._left @ weight
        if open_cells is not None:
            told = np.where(np.asarray(open_cells, dtype=bool).ravel(), told, -np.inf)
        i, j = np.unravel_index(int(np.argmax(told)), self.trials.shape)
        return float(self.gaps_ms[i]), float(self.level_differences_db[j])

    def record(self, gap_ms: float, difference_db: float, caught: int, trials: int = 1) -> None:
        """Take in how many of the trials of a cell had their second stroke caught."""
        i, j = self._cell(gap_ms, difference_db)
        if not 0 <= caught <= trials:
            raise RecoveryError(f"recovery map: {caught} of {trials} caught")
        chance = self._chance[i * self.level_differences_db.size + j]
        self._log_weight = (
            self._log_weight + caught * np.log(chance) + (trials - caught) * np.log1p(-chance)
        )
        self.caught[i, j] += caught
        self.trials[i, j] += trials
        self._refine()

    def record_table(self, pairs: pd.DataFrame) -> None:
        """Take in pairs: columns gap_ms, level_difference_db and caught (bool), one row a pair."""
        cells = pairs.groupby(["gap_ms", "level_difference_db"])["caught"].agg(["sum", "size"])
        for gap, difference, caught, trials in cells.reset_index().itertuples(index=False):
            self.record(float(gap), float(difference), int(caught), int(trials))

    def chance(self) -> Array:
        """Posterior chance of being caught, shape (gaps, differences); NaN without a trial."""
        if self.trials.sum() == 0:
            return np.full(self.trials.shape, math.nan)
        return np.asarray((self._chance @ self._weight()).reshape(self.trials.shape), dtype=float)

    def contour(self, share: float, confidence: float = 0.95) -> Contour:
        """Gap at which this share is caught, for each level difference, with its interval."""
        if not 0.0 < share < 1.0:
            raise RecoveryError(f"recovery map: contour at {share}; between 0 and 1 is allowed")
        differences = self.level_differences_db
        rows = np.full((3, differences.size), math.nan)
        if self.trials.sum() > 0:
            weight = self._weight()
            tail = (1.0 - confidence) / 2.0
            # a point of the grid stands for its whole cell: its weight is spread over the step of
            # the dead time, by which the gap moves one to one
            within = self._steps[0] * ((np.arange(_PARTS) + 0.5) / _PARTS - 0.5)
            spread = np.repeat(weight / _PARTS, _PARTS)
            for j in range(differences.size):
                middle = self._gap50[j] + self._width * special.logit(share)
                gap = (middle[:, None] + within).ravel()
                order = np.argsort(gap)
                cumulated = np.cumsum(spread[order]) - 0.5 * spread[order]
                rows[:, j] = np.interp([tail, 0.5, 1.0 - tail], cumulated, gap[order])
        return Contour(
            share=share,
            level_difference_db=differences,
            gap_ms=rows[1],
            low_ms=rows[0],
            high_ms=rows[2],
            confidence=confidence,
        )


def _entropy(chance: Array) -> Array:
    return np.asarray(special.entr(chance) + special.entr(1.0 - chance), dtype=float)
