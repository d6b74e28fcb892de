"""What a gauge study found: where its spread comes from, and which difference the bench sees."""

from __future__ import annotations

import dataclasses
import math

import pandas as pd
from scipy import stats

from rig.record.bench_fault import BenchError

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
        Both together; between specimens; all together.
    condition_sd
        Each condition's own share of the reproducibility.
    categories
        Distinct categories of specimens that the bench tells apart.
    table
        Analysis of variance: ss, df, ms, f, p by source; empty for average and range.
    """

    method: str
    repeatability_sd: float
    reproducibility_sd: float
    interaction_sd: float
    part_sd: float
    condition_sd: dict[str, float]
    table: pd.DataFrame
    count: int

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
        if self.gauge_sd == 0.0:
            return 0
        return math.floor(CATEGORY_FACTOR * self.part_sd / self.gauge_sd)

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
        variance = between**2 + self.repeatability_sd**2 / strokes
        quantiles = stats.norm.ppf(0.5 + confidence / 2.0) + stats.norm.ppf(power)
        return float(quantiles * math.sqrt(2.0 * variance))

    def verdict(self, difference: float, strokes: int, *, same_session: bool = False) -> str:
        """Say whether the bench sees a difference of this size, and what it would take."""
        visible = self.visible_difference(strokes, same_session=same_session)
        where = "within one session" if same_session else "from session to session"
        if visible <= difference:
            return (
                f"seen: {strokes} strokes a specimen show {visible:.3g} {where}; {difference:.3g} "
                "is asked for"
            )
        floor = self.visible_difference(1_000_000_000, same_session=same_session)
        if floor >= difference:
            return (
                f"not seen: no number of strokes shows less than {floor:.3g} {where}, and "
                f"{difference:.3g} is asked for; mount better, or compare within one session"
            )
        quantiles = stats.norm.ppf(0.975) + stats.norm.ppf(0.90)
        between = self.interaction_sd if same_session else self.reproducibility_sd
        needed = math.ceil(
            self.repeatability_sd**2 / ((difference / quantiles) ** 2 / 2.0 - between**2)
        )
        return (
            f"not seen yet: {strokes} strokes show {visible:.3g} {where}; {needed} strokes a "
            f"specimen show {difference:.3g}"
        )
