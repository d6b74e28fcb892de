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

from analysis import equivalence
from analysis.alike import RunFacts, changed, refuse_unlike
from analysis.change import Change, change_of, strokes_needed, usable
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
    raws = {name: change_of(name, x, y, confidence, seed) for name in measures}
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
            needed = strokes_needed(raw, how.margin, risk / len(measures), target_power)
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


def _p_worse(raw: Change, asked: Asked) -> float:
    if asked.better == "same":
        return min(1.0, 2.0 * min(raw.difference.p_more, raw.difference.p_less))
    return raw.difference.p_more


def _p_better(raw: Change, asked: Asked) -> float:
    return 1.0 if asked.better == "same" else raw.difference.p_less
