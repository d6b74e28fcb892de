"""What a gauge study found: where its spread comes from, and which difference the bench sees."""

from __future__ import annotations

import dataclasses
import math

import pandas as pd
from scipy import stats

from analysis.interval import Interval
from analysis.mean_squares import added
from analysis.variance_split import (
    CROSSED,
    GAUGE,
    PART,
    REPEATABILITY,
    REPRODUCIBILITY,
    Figure,
    Split,
)
from rig.record.bench_fault import BenchError

NO_INTERVAL = "no interval"

CATEGORY_FACTOR = 1.41
"""Distinct categories = floor(1.41 x part / gauge), as the AIAG manual has it."""


class StudyError(BenchError):
    """A study whose data cannot carry the analysis asked for."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class GaugeStudy:
    """Where the spread of a crossed study comes from; all ``*_sd`` in the unit of the readings.

    Attributes
    ----------
    method
        Method by name, with what was pooled.
    repeatability_sd, reproducibility_sd
        Repeats under one condition; between conditions, interactions included.
    interaction_sd
        Part of the reproducibility that differs from specimen to specimen.
    gauge_sd, part_sd, total_sd
        Both together; between specimens (NaN: there was one alone); all together.
    condition_sd, crossing_sd
        Each condition's own share of the reproducibility; that of each interaction.
    categories
        Distinct categories of specimens that the bench tells apart.
    table
        Analysis of variance: ss, df, ms, f, p by source; empty for average and range.
    split
        What the intervals come from; without it nothing but values can be told, and no difference
        is called seen.
    """

    method: str
    repeatability_sd: float
    reproducibility_sd: float
    interaction_sd: float
    part_sd: float
    condition_sd: dict[str, float]
    table: pd.DataFrame
    count: int
    crossing_sd: dict[str, float] = dataclasses.field(default_factory=dict)
    split: Split | None = None

    @property
    def gauge_sd(self) -> float:
        """Repeatability and reproducibility together."""
        return math.hypot(self.repeatability_sd, self.reproducibility_sd)

    @property
    def total_sd(self) -> float:
        """Bench and specimens together."""
        return math.hypot(self.gauge_sd, self.part_sd)

    @property
    def categories(self) -> int:
        """Distinct categories; 0 where specimens don't differ, or readings of one don't either."""
        if self.gauge_sd == 0.0 or not self.part_sd > 0.0:
            return 0
        return math.floor(CATEGORY_FACTOR * self.part_sd / self.gauge_sd)

    @property
    def category_bounds(self) -> tuple[int, float]:
        """Bounds of the categories, from those of the share; the upper one may be infinite."""
        share = self.percent_interval
        low, high = (
            CATEGORY_FACTOR * math.sqrt(max(0.0, (100.0 / percent) ** 2 - 1.0))
            if percent > 0.0
            else math.inf
            for percent in (share.high, share.low)
        )
        return math.floor(low), math.floor(high) if math.isfinite(high) else high

    @property
    def gauge_percent(self) -> float:
        """Gauge as a percentage of the total variation; NaN where nothing varies."""
        return 100.0 * self.gauge_sd / self.total_sd if self.total_sd > 0.0 else math.nan

    @property
    def standing(self) -> str:
        """``good``, ``conditional`` or ``bad``: 10 and 30 % of the total, 5 categories (AIAG)."""
        percent = self.gauge_percent
        if not percent <= 30.0:
            return "bad"
        return "good" if percent < 10.0 and self.categories >= 5 else "conditional"

    @property
    def figures(self) -> dict[str, Figure]:
        """Each standard deviation with its interval."""
        values = {REPEATABILITY: self.repeatability_sd}
        values |= {f"between {name}": sd for name, sd in self.condition_sd.items()}
        values |= self.crossing_sd
        values |= {GAUGE: self.gauge_sd}
        if math.isfinite(self.part_sd):
            values |= {PART: self.part_sd}
        if self.split is None:
            return {name: _unbounded(sd) for name, sd in values.items()}
        return {
            name: self.split.figure(
                sd, self.split.weights[name], repeats=1.0 if name == GAUGE else 0.0
            )
            for name, sd in values.items()
        }

    @property
    def percent_interval(self) -> Interval:
        """The gauge's percentage with its interval."""
        if self.split is None:
            return Interval(self.gauge_percent, math.nan, math.nan, NO_INTERVAL)
        return self.split.percent(self.gauge_percent)

    def visible_difference(
        self,
        strokes: int,
        *,
        confidence: float = 0.95,
        power: float = 0.90,
        same_session: bool = False,
    ) -> float:
        """Least difference between two specimens' means that the bench sees.

        Parameters
        ----------
        strokes
            Strokes on each specimen.
        confidence, power
            Of the two-sided comparison.
        same_session
            Both specimens under one condition: what is common to both cancels, the interaction
            stays.

        Returns
        -------
        float
            ``(z(1 - alpha/2) + z(power)) * sqrt(2 * (between + within / strokes))``, normal theory.
        """
        if strokes < 1:
            raise StudyError(f"visible difference: {strokes} strokes asked for; at least 1")
        between = self.interaction_sd if same_session else self.reproducibility_sd
        return _seen_factor(confidence, power) * math.hypot(
            between, self.repeatability_sd / math.sqrt(strokes)
        )

    def visible(self, strokes: int, *, same_session: bool = False) -> Figure:
        """Give the difference that the bench sees with its interval, both at 95 %.

        What is visible within a session is a part of what is between sessions: no bound of the one
        contradicts that of the other.
        """
        within, between = (self._visible(strokes, same_session=same) for same in (True, False))
        if same_session:
            return within._replace(high=min(within.high, between.high))
        return between._replace(low=max(within.low, between.low))

    def _visible(self, strokes: int, *, same_session: bool) -> Figure:
        factor = _seen_factor()
        difference = self.visible_difference(strokes, same_session=same_session)
        if self.split is None:
            return _unbounded(difference)
        own = self.split.weights
        repeats = {name: weight / strokes for name, weight in own[REPEATABILITY].items()}
        weights = added(own[CROSSED if same_session else REPRODUCIBILITY], repeats)
        return self.split.figure(difference / factor, weights, repeats=1.0 / strokes, factor=factor)

    def finds(self, difference: float, strokes: int, *, same_session: bool = False) -> str:
        """Say whether a difference of this size is ``seen``, ``not seen`` or ``undecided``.

        Seen where the whole interval of what the bench sees lies at it or below, not seen where
        the whole of it lies above.
        """
        check_difference(difference)
        found = self.visible(strokes, same_session=same_session)
        if found.high <= difference:
            return "seen"
        return "not seen" if found.low > difference else "undecided"

    def verdict(self, difference: float, strokes: int, *, same_session: bool = False) -> str:
        """Say whether the bench sees a difference of this size, and what it would take."""
        word = self.finds(difference, strokes, same_session=same_session)
        found = self.visible(strokes, same_session=same_session)
        if word == "seen":
            return f"seen: {strokes} strokes a specimen show it"
        if word == "undecided":
            text = f"undecided: what {strokes} strokes show is not known well enough"
            if not found.degrees:
                return text
            source, degrees = next(iter(found.degrees.items()))
            return (
                f"{text}; its fewest degrees of freedom are the {degrees} of {source}: take more "
                "of it, and more specimens"
            )
        floor = self.visible_difference(1_000_000_000, same_session=same_session)
        if floor >= difference:
            return f"not seen: no number of strokes shows less than {floor:.3g}; mount better" + (
                "" if same_session else ", or compare within a session"
            )
        between = self.interaction_sd if same_session else self.reproducibility_sd
        needed = math.ceil(
            self.repeatability_sd**2 / ((difference / _seen_factor()) ** 2 - between**2)
        )
        return (
            f"not seen yet: {strokes} strokes a specimen show {found.value:.3g}; {needed} strokes "
            f"would show {difference:.3g}"
        )


def _unbounded(value: float) -> Figure:
    return Figure(value, math.nan, math.nan, NO_INTERVAL, {})


def _seen_factor(confidence: float = 0.95, power: float = 0.90) -> float:
    """Visible difference of two means over the standard deviation of one of them."""
    quantiles = stats.norm.ppf(0.5 + confidence / 2.0) + stats.norm.ppf(power)
    return float(quantiles * math.sqrt(2.0))


def check_difference(difference: float) -> None:
    """Refuse a difference that nothing could be shown of."""
    if not (math.isfinite(difference) and difference > 0.0):
        raise StudyError(
            f"gauge study: a difference of {difference:g} is asked for; it must be above 0 and "
            "finite. Give the least difference between two specimens that matters to you"
        )
