"""Gauge studies: how much of a spread is the bench's own, and which difference it can see.

A study holds readings of several specimens ("parts") under several conditions of the bench:
remounting, day, striker. What comes out depends on the method as well as on the data (ANOVA with
interactions pooled, ANOVA without pooling, average and range), so every result names its method.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from rig.record.bench_fault import BenchError

POOL_ABOVE_P = 0.25
"""An interaction with a greater p is pooled with the repeats (common practice, no source)."""

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
        """Distinct categories; 0 where the specimens do not differ."""
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


def _balanced(table: pd.DataFrame, value: str, factors: Sequence[str]) -> int:
    """Return the repeats in each cell of a complete, balanced study; refuse any other."""
    missing = [name for name in (value, *factors) if name not in table.columns]
    if missing:
        raise StudyError(f"gauge study: no column {', '.join(missing)} in the readings")
    faults: list[str] = []
    bad = int((~np.isfinite(table[value].to_numpy(dtype=float))).sum()) if len(table) else 0
    if bad:
        faults.append(f"{bad} readings are not finite; leave them out and repeat their cells")
    short = [name for name in factors if table[name].nunique() < 2]
    if short:
        faults.append(
            f"{', '.join(short)} takes one value only; at least 2 are needed: "
            "take more runs with it changed"
        )
    sizes = table.groupby(list(factors), observed=True).size()
    cells = math.prod(table[name].nunique() for name in factors)
    if len(sizes) and (sizes.min() != sizes.max() or len(sizes) < cells):
        faults.append(
            f"the study is not balanced: {len(sizes)} of {cells} cells are filled, with "
            f"{sizes.min()} to {sizes.max()} readings; strike each cell equally often"
        )
    elif len(sizes) == 0 or sizes.iloc[0] < 2:
        faults.append("each cell needs at least 2 readings, or repeatability cannot be told")
    if faults:
        raise StudyError("gauge study: " + "; ".join(faults))
    return int(sizes.iloc[0])


def crossed(
    table: pd.DataFrame,
    *,
    value: str,
    part: str,
    conditions: Sequence[str],
    pool: bool = True,
) -> GaugeStudy:
    """Analyse a crossed study by analysis of variance, all effects random.

    Parameters
    ----------
    table
        One row a reading.
    value, part
        Column of the readings, and of the specimens.
    conditions
        Columns of what was changed on the bench: remounting, day, striker. Each specimen is read
        equally often under each combination. With more than one, only main effects and their
        interactions with the specimen are told apart; the rest counts as repeats.
    pool
        Pool interactions with p above ``POOL_ABOVE_P`` into the repeats.

    Raises
    ------
    StudyError
        Readings missing, not finite, unbalanced, or fewer than 2 a cell.

    Notes
    -----
    Variance components from expected mean squares (AIAG, Measurement systems analysis, 4th ed.,
    ch. III-B); negative ones are set to 0.
    """
    factors = [part, *conditions]
    _balanced(table, value, factors)
    readings = table[value].astype(float)
    count = len(readings)
    grand = float(readings.mean())
    levels = {name: int(table[name].nunique()) for name in factors}

    def between(names: list[str]) -> float:
        means = readings.groupby([table[name] for name in names], observed=True).mean()
        return float(((means - grand) ** 2).sum()) * count / len(means)

    ss = {name: between([name]) for name in factors}
    df = {name: levels[name] - 1 for name in factors}
    crossings = {name: f"{part} x {name}" for name in conditions}
    for name, crossing in crossings.items():
        ss[crossing] = max(0.0, between([part, name]) - ss[part] - ss[name])
        df[crossing] = df[part] * df[name]
    total = float(((readings - grand) ** 2).sum())
    ss["repeats"] = max(0.0, total - sum(ss.values()))
    df["repeats"] = count - 1 - sum(df.values())

    pooled: list[str] = []
    rest_ss, rest_df = ss["repeats"], df["repeats"]
    rows = []
    for source in ss:
        ms = ss[source] / df[source]
        f = p = math.nan
        if source in crossings.values():
            rest = ss["repeats"] / df["repeats"]
            f = ms / rest if rest > 0.0 else math.inf
            p = float(stats.f.sf(f, df[source], df["repeats"]))
            if pool and p > POOL_ABOVE_P:
                pooled.append(source)
                rest_ss += ss[source]
                rest_df += df[source]
        rows.append((source, ss[source], df[source], ms, f, p))
    variance_table = pd.DataFrame(rows, columns=["source", "ss", "df", "ms", "f", "p"])
    variance_table = variance_table.set_index("source")

    repeat = rest_ss / rest_df
    ms_of = {name: ss[name] / df[name] for name in ss}
    error_of = {name: repeat if x in pooled else ms_of[x] for name, x in crossings.items()}
    condition_variance = {
        name: max(0.0, (ms_of[name] - error_of[name]) * levels[name] / count) for name in conditions
    }
    interaction = sum(
        max(0.0, (ms_of[x] - repeat) * levels[part] * levels[name] / count)
        for name, x in crossings.items()
        if x not in pooled
    )
    # a part's mean square holds every interaction that is left, each beyond the repeats
    part_error = repeat + sum(error_of[name] - repeat for name in conditions)
    part_variance = max(0.0, (ms_of[part] - part_error) * levels[part] / count)
    method = "ANOVA without pooling"
    if pool:
        what = ", ".join(pooled) if pooled else "nothing"
        method = f"ANOVA with pooling at p > {POOL_ABOVE_P} ({what} pooled)"
    return GaugeStudy(
        method=method,
        repeatability_sd=math.sqrt(repeat),
        reproducibility_sd=math.sqrt(sum(condition_variance.values()) + interaction),
        interaction_sd=math.sqrt(interaction),
        part_sd=math.sqrt(part_variance),
        condition_sd={name: math.sqrt(v) for name, v in condition_variance.items()},
        table=variance_table,
        count=count,
    )


@functools.cache
def range_constants(size: int) -> tuple[float, float]:
    """Mean and standard deviation (d2, d3) of the range of ``size`` standard normal values.

    Integrated from the density of the range (Tippett 1925), to about six digits.
    """
    if size < 2:
        raise StudyError(f"range of {size} readings: at least 2 are needed")
    x = np.linspace(-8.0, 8.0, 1601)
    r = np.linspace(0.0, 12.0, 2401)
    inner = stats.norm.cdf(x[None, :] + r[:, None]) - stats.norm.cdf(x)[None, :]
    integrand = stats.norm.pdf(x) * stats.norm.pdf(x[None, :] + r[:, None]) * inner ** (size - 2)
    density = size * (size - 1) * np.trapezoid(integrand, x, axis=1)
    d2 = float(np.trapezoid(r * density, r))
    d3 = math.sqrt(float(np.trapezoid(r**2 * density, r)) - d2**2)
    return d2, d3


def average_and_range(table: pd.DataFrame, *, value: str, part: str, condition: str) -> GaugeStudy:
    """Analyse a crossed study by averages and ranges (AIAG, ch. III-B).

    Repeats are turned into a standard deviation by d2, single ranges by d2* = sqrt(d2² + d3²).
    """
    repeats = _balanced(table, value, [part, condition])
    cells = table.groupby([part, condition], observed=True)[value]
    parts, conditions = table[part].nunique(), table[condition].nunique()
    mean_range = float((cells.max() - cells.min()).mean())
    repeat_sd = mean_range / range_constants(repeats)[0]
    by_condition = table.groupby(condition, observed=True)[value].mean()
    by_part = table.groupby(part, observed=True)[value].mean()
    spread = float(by_condition.max() - by_condition.min())
    condition_sd = spread / math.hypot(*range_constants(conditions))
    condition_sd = math.sqrt(max(0.0, condition_sd**2 - repeat_sd**2 / (parts * repeats)))
    part_sd = float(by_part.max() - by_part.min()) / math.hypot(*range_constants(parts))
    return GaugeStudy(
        method="average and range",
        repeatability_sd=repeat_sd,
        reproducibility_sd=condition_sd,
        interaction_sd=0.0,
        part_sd=part_sd,
        condition_sd={condition: condition_sd},
        table=pd.DataFrame(),
        count=len(table),
    )
