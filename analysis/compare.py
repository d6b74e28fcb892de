"""Before and after: better, equal or worse, measure by measure and over all.

*Worse* must be shown: a one-sided test, corrected over all measures (Holm), so that where nothing
changed the word falls in at most 5 % of comparisons. *Equal* must be shown too: the difference lies
inside the margin. What is neither shown is *undecided*, with the strokes that it would take.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from typing import Literal

import numpy as np
import pandas as pd
from scipy import stats

from analysis import equivalence, power
from analysis.alike import RunFacts, changed, refuse_unlike
from analysis.cells import LEAST_IN_CELLS, aligned, in_cells
from analysis.crosstalk_change import of_crosstalk
from analysis.equivalence import Array, Difference
from analysis.interval import finite
from analysis.rank_shift import of_places
from rig.record.bench_fault import BenchError
from rig.record.measure_names import COMPARED_UNITS
from rig.record.toml_file import nearest

Verdict = Literal["better", "equal", "worse", "undecided"]


class ComparisonError(BenchError):
    """A comparison asked for in a way that cannot be made."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Asked:
    """How one measure is compared.

    ``better``: which way is better; ``same``: any shown change counts as worse (the velocity is to
    stay as it was).
    """

    unit: str
    margin: float
    better: Literal["less", "same"] = "less"


_MARGINS = {
    "latency_median": 0.5,
    "latency_sd": 0.5,
    "latency_p95": 1.0,
    "lost_share": 2.0,
    "double_share": 2.0,
    "velocity": 3.0,
    "crosstalk_share": 2.0,
    "crosstalk_level": 2.0,
}

ASKED: dict[str, Asked] = {
    name: Asked(unit=unit, margin=_MARGINS[name], better="same" if name == "velocity" else "less")
    for name, unit in COMPARED_UNITS.items()
}
"""Measures compared, each with the smallest difference that matters where no protocol says it."""

_COLUMNS = {"crosstalk_share": "crossed", "crosstalk_level": "crosstalk_db"}
ALWAYS = tuple(name for name in ASKED if name not in _COLUMNS)
"""Measures of any run; the others are of runs with further zones."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Compared:
    """One measure before and after, in its unit.

    ``strokes_needed`` (a side) is told where the verdict is undecided, else 0; ``p_worse`` and
    ``p_better`` are corrected over all measures.
    """

    name: str
    unit: str
    margin: float
    before: float
    after: float
    difference: float
    low: float
    high: float
    method: str
    verdict: Verdict
    p_worse: float
    p_better: float
    count_before: int
    count_after: int
    strokes_needed: int = 0


@dataclasses.dataclass(frozen=True, kw_only=True)
class Comparison:
    """A whole comparison.

    ``verdict`` over all: worse if any measure is; else undecided if any is; else better if any is;
    else equal. ``unlike``: differences that were allowed. ``changed``: what differs
    in the specimen. ``left_out``: why crosstalk is not compared although it was recorded.
    """

    verdict: Verdict
    measures: tuple[Compared, ...]
    confidence: float
    strokes_needed: int
    unlike: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()


def _spread(rows: Array) -> Array:
    return np.asarray(rows.std(axis=1, ddof=1), dtype=float)


def _median(values: Array) -> float:
    return float(np.median(values)) if values.size else math.nan


def _share(table: pd.DataFrame, name: str) -> tuple[int, int]:
    """Return events and trials: lost or crossed of all struck, doubles of all that sounded."""
    outcome = table["outcome"]
    if name in ("lost_share", "crosstalk_share"):
        struck = outcome.isin(["clean", "lost", "double"])
        bad = outcome == "lost" if name == "lost_share" else table["crossed"].astype(bool)
        return int((struck & bad).sum()), int(struck.sum())
    return int((outcome == "double").sum()), int(outcome.isin(["clean", "double"]).sum())


def usable(table: pd.DataFrame) -> pd.DataFrame:
    """Leave out invalid rows, onsets that no strike explains, and velocities of lost strokes."""
    rows = table[table["valid"].astype(bool) & (table["strike"] >= 0)]
    return rows.assign(velocity=rows["velocity"].where(rows["velocity"] >= 0))


@dataclasses.dataclass(frozen=True)
class _Raw:
    difference: Difference
    before: float
    after: float
    counts: tuple[int, int]
    events: tuple[int, int] | None = None


def _measured(
    name: str, before: pd.DataFrame, after: pd.DataFrame, confidence: float, seed: int
) -> _Raw:
    if name in ("lost_share", "double_share", "crosstalk_share"):
        (k1, n1), (k2, n2) = _share(before, name), _share(after, name)
        found = equivalence.of_shares(k1, n1, k2, n2, confidence)
        in_percent = [100.0 * x for x in found[:5]]
        difference = Difference(
            in_percent[0],
            in_percent[1],
            in_percent[2],
            in_percent[3],
            in_percent[4],
            found.p_more,
            found.p_less,
            100.0 * found.standard_error,
            found.method,
        )
        shares = [100.0 * k / n if n else math.nan for k, n in ((k1, n1), (k2, n2))]
        return _Raw(difference, shares[0], shares[1], (n1, n2), (k1, k2))
    if name == "crosstalk_level":
        change = of_crosstalk(before, after, confidence)
        return _Raw(change.difference, *change.medians_db, change.counts)
    column = "velocity" if name == "velocity" else "latency_s"
    scale = 1.0 if name == "velocity" else 1000.0
    x, y, *cells = in_cells(before, after, column, 1)
    medians, counts = (scale * _median(x), scale * _median(y)), (x.size, y.size)
    if name == "latency_median":
        # with few strokes the exact test of one cell
        within = (cells[0], cells[1]) if min(counts) >= LEAST_IN_CELLS else None
        places = of_places(scale * x, scale * y, confidence, within)
        return _Raw(places, *medians, counts)
    means = [float(v.mean()) if v.size else math.nan for v in (x, y)]
    x, y = (scale * side for side in aligned(before, after, column))
    if name == "velocity":
        # velocities are whole numbers: ranks of so many ties tell no shift between two of them
        return _Raw(equivalence.of_means(x, y, confidence), means[0], means[1], counts)
    if name == "latency_sd":
        difference = equivalence.of_statistics(x, y, _spread, confidence, seed=seed)
        values = [float(v.std(ddof=1)) if v.size > 1 else math.nan for v in (x, y)]
    else:
        x, y = (scale * finite(table[column]) for table in (before, after))
        difference = equivalence.of_quantiles(x, y, 0.95, confidence)
        values = [float(np.quantile(v, 0.95)) if v.size else math.nan for v in (x, y)]
    return _Raw(difference, values[0], values[1], counts)


def _strokes_needed(raw: _Raw, asked: Asked, risk: float, target: float) -> int:
    """Strokes a side that decide, with the margin's difference or none, in ``target`` cases."""
    n = min(raw.counts)
    if n < 2:
        return 0
    if raw.events is not None:
        # what may well be the share before: the upper bound that 80 % of runs keep
        z = float(stats.norm.ppf(0.8))
        share = (raw.events[0] + z**2 / 2.0) / (raw.counts[0] + z**2)
        high = min(0.99, share + z * math.sqrt(share * (1 - share) / (raw.counts[0] + z**2)))
        rounded = float(f"{high:.2g}")
        planned = power.strokes_for_share(rounded, asked.margin / 100.0, risk, target)
    elif math.isfinite(raw.difference.standard_error):
        deviation = raw.difference.standard_error * math.sqrt(n / 2.0)
        deviation *= math.sqrt((n - 1) / stats.chi2.ppf(0.2, n - 1))
        planned = power.strokes_for_shift(deviation, asked.margin, risk, target)
    else:
        planned = 4 * max(n, 5)
    # already struck so many, and the difference lies between none and the margin
    return planned if planned > n else 2 * n


def compare(
    before: pd.DataFrame,
    after: pd.DataFrame,
    *,
    facts: tuple[RunFacts, RunFacts] | None = None,
    allow: Sequence[str] = (),
    margins: Mapping[str, float] | None = None,
    measures: Sequence[str] | None = None,
    confidence: float = 0.95,
    target_power: float = 0.90,
    among: int = 1,
    seed: int = 1,
) -> Comparison:
    """Compare two runs' stroke tables.

    Parameters
    ----------
    before, after
        Stroke tables (columns of DEVELOPERS.md); rows that are not valid are left out. With the
        columns of :func:`analysis.crosstalk.with_crosstalk` in both, crosstalk is compared too.
    facts, allow
        What the runs were taken with, and which differences are accepted by name.
    margins
        Measure -> smallest difference that matters, in its unit; ``ASKED`` gives the others.
    measures
        Names from ``ASKED``; default: all that both runs hold.
    confidence, target_power
        1 - risk of a false verdict; chance of a verdict at the strokes asked for.
    among
        So many comparisons are made with the same ``before``; their risk is shared (Bonferroni).
    seed
        Of the resampling.

    Raises
    ------
    UnlikeRunsError, ComparisonError
        Runs that differ in what must be equal; unknown measures, margins not above 0; crosstalk
        between zones that differ, or that a run does not hold.
    """
    unlike = refuse_unlike(facts, allow) if facts else ()
    given = dict(margins or {})
    missing = _zones_missing(before, after, facts)
    if measures is None:
        measures = [name for name in ASKED if name not in missing]
    _refuse_senseless(measures, given, missing)
    x, y = usable(before), usable(after)
    asked = {
        name: dataclasses.replace(ASKED[name], margin=given.get(name, ASKED[name].margin))
        for name in measures
    }
    raws = {name: _measured(name, x, y, confidence, seed) for name in measures}
    worse = equivalence.holm([_p_worse(raws[name], asked[name]) for name in measures])
    better = equivalence.holm([_p_better(raws[name], asked[name]) for name in measures])
    risk = (1.0 - confidence) / among
    compared = []
    for name, p_worse, p_better in zip(measures, worse, better, strict=True):
        raw, how = raws[name], asked[name]
        verdict: Verdict = "undecided"
        if raw.difference.within(how.margin):
            verdict = "equal"
        elif p_worse <= risk:
            verdict = "worse"
        elif p_better <= risk:
            verdict = "better"
        needed = 0
        if verdict == "undecided":
            needed = _strokes_needed(raw, how, risk / len(measures), target_power)
        compared.append(
            Compared(
                name=name,
                unit=how.unit,
                margin=how.margin,
                before=raw.before,
                after=raw.after,
                difference=raw.difference.value,
                low=raw.difference.low,
                high=raw.difference.high,
                method=raw.difference.method,
                verdict=verdict,
                p_worse=float(p_worse),
                p_better=float(p_better),
                count_before=raw.counts[0],
                count_after=raw.counts[1],
                strokes_needed=needed,
            )
        )
    verdicts = {one.verdict for one in compared}
    order: tuple[Verdict, ...] = ("worse", "undecided", "better", "equal")
    return Comparison(
        verdict=next(word for word in order if word in verdicts),
        measures=tuple(compared),
        confidence=confidence,
        strokes_needed=max(one.strokes_needed for one in compared),
        unlike=unlike,
        changed=changed(*facts) if facts else (),
        left_out=tuple(
            f"{name} is not compared: {missing[name]}"
            for name, column in _COLUMNS.items()
            if name in missing and (column in before or column in after)
        ),
    )


def _zones_missing(
    before: pd.DataFrame, after: pd.DataFrame, facts: tuple[RunFacts, RunFacts] | None
) -> dict[str, str]:
    """Return the measures of crosstalk that can't be compared, each with the reason."""
    if facts and facts[0].zones != facts[1].zones:
        return dict.fromkeys(_COLUMNS, f"zones differ ({facts[0].zones} against {facts[1].zones})")
    missing = {
        "crosstalk_share": "a specimen has no zone but the one that was struck",
        "crosstalk_level": "a run has no channel of role second_zone",
    }
    for name, column in _COLUMNS.items():
        if column in before and column in after:
            del missing[name]
    if "crosstalk_level" not in missing and not any(
        np.isfinite(side["crosstalk_db"].to_numpy(dtype=float)).any() for side in (before, after)
    ):
        missing["crosstalk_level"] = (
            "in neither run do strokes that ring out alone, and clip no sensor, stand out of the "
            "other zone's noise"
        )
    return missing


def _refuse_senseless(
    measures: Sequence[str], margins: Mapping[str, float], missing: Mapping[str, str]
) -> None:
    faults = [f"{name} can't be compared: {missing[name]}" for name in measures if name in missing]
    faults += [
        f"there is no measure {name!r} to compare{nearest(name, ASKED)}"
        for name in dict.fromkeys((*measures, *margins))
        if name not in ASKED
    ]
    faults += [
        f"a margin of {value:g} for {name} was asked for; it must be above 0 and finite"
        for name, value in margins.items()
        if not 0.0 < value < math.inf
    ]
    if not measures:
        faults.append("no measure was asked for")
    if faults:
        raise ComparisonError(f"comparison: {'; '.join(faults)}. Measures are {', '.join(ASKED)}")


def _p_worse(raw: _Raw, asked: Asked) -> float:
    if asked.better == "same":
        return min(1.0, 2.0 * min(raw.difference.p_more, raw.difference.p_less))
    return raw.difference.p_more


def _p_better(raw: _Raw, asked: Asked) -> float:
    return 1.0 if asked.better == "same" else raw.difference.p_less
