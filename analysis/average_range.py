"""Gauge studies by averages and ranges."""

from __future__ import annotations

import functools
import math

import numpy as np
import pandas as pd
from scipy import stats

from analysis.gauge import balanced_repeats
from analysis.gauge_study import GaugeStudy, StudyError


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
    repeats = balanced_repeats(table, value, [part, condition])
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
