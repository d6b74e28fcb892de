"""Gauge studies by analysis of variance: how much of a spread is the bench's own.

A study holds readings of several specimens ("parts") under several conditions of the bench:
remounting, day, striker. What comes out depends on the method as well as on the data (ANOVA with
interactions pooled, ANOVA without pooling, average and range), so every result names its method.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from analysis.gauge_study import GaugeStudy, StudyError
from analysis.mean_squares import MeanSquares, Weights, added
from analysis.variance_split import CROSSED, GAUGE, PART, REPEATABILITY, REPRODUCIBILITY, Split

POOL_ABOVE_P = 0.25
"""An interaction with a greater p is pooled with the repeats (common practice, no source)."""


def balanced_repeats(table: pd.DataFrame, value: str, factors: Sequence[str]) -> int:
    """Return the repeats in each cell of a complete, balanced study.

    Raises
    ------
    StudyError
        Readings missing, not finite, unbalanced, or fewer than 2 a cell: all at once.
    """
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
            f"there is only one {' and one '.join(short)}"
            + (" of each specimen" if "specimen" in factors and "specimen" not in short else "")
            + "; at least 2 are needed: take more runs in which it differs"
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
    balanced_repeats(table, value, factors)
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
    crossing_variance = {
        x: max(0.0, (ms_of[x] - repeat) * levels[part] * levels[name] / count)
        if x not in pooled
        else 0.0
        for name, x in crossings.items()
    }
    interaction = sum(crossing_variance.values())
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
        crossing_sd={name: math.sqrt(v) for name, v in crossing_variance.items()},
        split=Split(
            squares=MeanSquares(square=ms_of, freedom=df),
            weights=_weights(part, crossings, levels, count),
        ),
    )


def _weights(
    part: str, crossings: dict[str, str], levels: dict[str, int], count: int
) -> dict[str, Weights]:
    """Weights of the mean squares in each figure, from their expectations; nothing pooled."""
    found: dict[str, Weights] = {REPEATABILITY: {"repeats": 1.0}}
    for name, x in crossings.items():
        each = levels[name] / count
        found[f"between {name}"] = {name: each, x: -each}
        found[x] = {x: each * levels[part], "repeats": -each * levels[part]}
    found[CROSSED] = added(*(found[x] for x in crossings.values()))
    own = added(*(found[f"between {name}"] for name in crossings))
    found[REPRODUCIBILITY] = added(own, found[CROSSED])
    found[GAUGE] = added(found[REPRODUCIBILITY], found[REPEATABILITY])
    each = levels[part] / count
    found[PART] = {
        part: each,
        **{x: -each for x in crossings.values()},
        "repeats": each * (len(crossings) - 1),
    }
    return found
