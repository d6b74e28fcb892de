"""Before and after: better, equal or worse, measure by measure and over all.

*Worse* must be shown: a one-sided test, corrected over all measures (Holm), so that where nothing
changed the word falls in at most 5 % of comparisons. *Equal* must be shown too: the
difference lies inside the margin. What is neither shown is *undecided*, with the strokes that it
would take. Many measures are judged over all strokes and once more at the force where they changed
most (:mod:`analysis.force_change`).
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from analysis.alike import MUST_BE_EQUAL, RunFacts, changed, refuse_unlike
from analysis.asked import ALWAYS, ASKED, CROSSTALK, LIMITS, RATE, Asked
from analysis.change import Change, change_of, usable
from analysis.force_change import at_each_force
from analysis.judged import Compared, Verdict, judge
from analysis.limit_change import of_limits
from analysis.measure import Measure
from analysis.rate_change import of_rates
from rig.record.bench_fault import BenchError
from rig.record.measure_names import MEASURE_UNITS
from rig.record.toml_file import nearest

__all__ = ["ALWAYS", "ASKED", "Asked", "Compared", "Comparison", "ComparisonError", "compare"]

Figures = tuple[Sequence[Sequence[Measure]], Sequence[Sequence[Measure]]]
"""Measures of each run, whole runs and stages, of the side before and the side after."""


class ComparisonError(BenchError):
    """A comparison asked for in a way that cannot be made."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Comparison:
    """A whole comparison.

    ``verdict`` over all: worse if any measure is; else undecided if any is that isn't left aside;
    else better if any is; else equal. ``strokes_needed`` leaves out what isn't counted in strokes.
    ``unlike``: differences that were allowed. ``changed``: what differs in the specimen.
    ``left_out``: why a measure that could be compared isn't. ``not_compared``: measures that both
    sides hold, but that comparisons are not made of. ``why_undecided``: why nothing could be told.
    """

    verdict: Verdict
    measures: tuple[Compared, ...]
    confidence: float
    strokes_needed: int
    unlike: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    not_compared: tuple[str, ...] = ()
    why_undecided: tuple[str, ...] = ()


def compare(
    before: pd.DataFrame,
    after: pd.DataFrame,
    *,
    facts: tuple[RunFacts, RunFacts] | None = None,
    figures: Figures | None = None,
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
    figures
        The runs' own measures: the stray rate and the limits of rolls, flams and forces are
        compared by them, and not at all without.
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
        Runs that differ in what must be equal; unknown measures, margins not above 0; a measure
        asked for by name that the runs can't be compared in.
    """
    unlike = refuse_unlike(facts, allow) if facts else ()
    given = dict(margins or {})
    raws, missing = _by_figures(figures, confidence)
    missing |= _zones_missing(before, after, facts)
    names = [name for name in ASKED if name not in missing] if measures is None else measures
    faults = [f"{name} can't be compared: {missing[name]}" for name in names if name in missing]
    refuse_senseless(names, given, faults)
    x, y = usable(before), usable(after)
    asked = {
        name: dataclasses.replace(
            ASKED[name],
            margin=given.get(name, ASKED[name].margin),
            needed=ASKED[name].needed or name in given or name in (measures or ()),
        )
        for name in names
    }
    raws |= {name: change_of(name, x, y, confidence, seed) for name in names if name not in raws}
    forces = {
        name: at_each_force(name, x, y, confidence) if asked[name].forces else () for name in names
    }
    compared = judge(asked, raws, forces, (1.0 - confidence) / among, target_power)
    verdicts = {one.verdict for one in compared if not one.aside} or {"undecided"}
    order: tuple[Verdict, ...] = ("worse", "undecided", "better", "equal")
    return Comparison(
        verdict=next(word for word in order if word in verdicts),
        measures=compared,
        confidence=confidence,
        strokes_needed=max(
            (one.strokes_needed for one in compared if one.counted == "strokes" and not one.aside),
            default=0,
        ),
        unlike=unlike,
        changed=changed(*facts) if facts else (),
        left_out=_left_out(missing, figures, before, after) if measures is None else (),
        not_compared=_further(figures) if measures is None else (),
        why_undecided=tuple(
            text
            for word, table in (("before", before), ("after", after))
            if (text := _nothing_in(word, table))
        ),
    )


def _zones_missing(
    before: pd.DataFrame, after: pd.DataFrame, facts: tuple[RunFacts, RunFacts] | None
) -> dict[str, str]:
    """Return the measures of crosstalk that can't be compared, each with the reason."""
    if facts and facts[0].zones != facts[1].zones:
        return dict.fromkeys(CROSSTALK, f"zones differ ({facts[0].zones} against {facts[1].zones})")
    missing = {
        "crosstalk_share": "a specimen has no zone but the one that was struck",
        "crosstalk_level": "a run has no channel of role second_zone",
    }
    for name, column in CROSSTALK.items():
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


def refuse_senseless(
    measures: Sequence[str],
    margins: Mapping[str, float],
    faults: Sequence[str] = (),
    allow: Sequence[str] = (),
) -> None:
    """Refuse what can't be asked for, and ``faults`` found elsewhere, all of it in one go."""
    found = list(faults)
    found += [
        f"there is no measure {name!r} to compare{nearest(name, ASKED)}"
        for name in dict.fromkeys((*measures, *margins))
        if name not in ASKED
    ]
    found += [
        f"a margin of {value:g} for {name} was asked for; it must be above 0 and finite"
        for name, value in margins.items()
        if not 0.0 < value < math.inf
    ]
    found += [
        f"{name!r} cannot be allowed; one of {', '.join(MUST_BE_EQUAL)} can"
        for name in dict.fromkeys(allow)
        if name not in MUST_BE_EQUAL
    ]
    if not measures:
        found.append("no measure was asked for")
    if found:
        raise ComparisonError(
            f"comparison: {'; '.join(found)} (measures that can be compared: {', '.join(ASKED)})"
        )


def _whole(figures: Figures, name: str) -> list[list[Measure]]:
    """Give the measure of each whole run, of both sides."""
    return [
        [one for run in side for one in run if one.name == name and not one.stage]
        for side in figures
    ]


def _by_figures(
    figures: Figures | None, confidence: float
) -> tuple[dict[str, Change], dict[str, str]]:
    """Compare what the runs' own measures tell; and say why the others can't be."""
    if figures is None:
        return {}, dict.fromkeys((RATE, *LIMITS), "the measures of the runs were not given")
    changes: dict[str, Change] = {}
    missing: dict[str, str] = {}
    for name in LIMITS:
        sides = _whole(figures, name)
        found: Change | str = "a run does not measure it"
        if [*map(len, sides)] == [*map(len, figures)]:
            found = of_limits(sides[0], sides[1], confidence)
        if isinstance(found, Change):
            changes[name] = found
        else:
            missing[name] = found
    events, seconds = [0, 0], [0.0, 0.0]
    for at, side in enumerate(_whole(figures, RATE)):
        events[at] = sum(int(one.details["events"]) for one in side)
        seconds[at] = sum(float(one.details["observed_s"]) for one in side)
        if len(side) < len(figures[at]) or not seconds[at] > 0.0:
            missing[RATE] = "of a run it isn't known how long its notes were listened to"
    if RATE not in missing:
        hours = [each / 3600.0 for each in seconds]
        changes[RATE] = Change(
            of_rates(events[0], hours[0], events[1], hours[1], confidence),
            events[0] / hours[0],
            events[1] / hours[1],
            (int(seconds[0]), int(seconds[1])),
            (events[0], events[1]),
        )
    return changes, missing


def _left_out(
    missing: Mapping[str, str], figures: Figures | None, before: pd.DataFrame, after: pd.DataFrame
) -> tuple[str, ...]:
    """Say why a measure that at least one side holds is not compared."""
    held = {name for name, column in CROSSTALK.items() if column in before or column in after}
    if figures is not None:
        held |= {
            name
            for name in (RATE, *LIMITS)
            if any(math.isfinite(one.value) for side in _whole(figures, name) for one in side)
        }
    return tuple(f"{name} is not compared: {missing[name]}" for name in missing if name in held)


def _further(figures: Figures | None) -> tuple[str, ...]:
    """Name the measures that all runs hold, but that comparisons are not made of."""
    if figures is None:
        return ()
    held = [
        {one.name for one in run if not one.stage and math.isfinite(one.value)}
        for side in figures
        for run in side
    ]
    return tuple(
        name for name in MEASURE_UNITS if name not in ASKED and all(name in run for run in held)
    )


def _nothing_in(word: str, table: pd.DataFrame) -> str:
    """Say why a side's strokes tell nothing; empty where they tell something."""
    planned = table[table["strike"] >= 0]
    valid = planned[planned["valid"].astype(bool)]
    if not len(table):
        why = "no stroke was found"
    elif not len(planned):
        why = (
            f"none of {len(table)} onsets belongs to a strike of a plan (a recording made "
            "elsewhere needs its strikes: import it with --strikes)"
        )
    elif not len(valid):
        why = f"none of {len(planned)} strokes is valid"
    elif not valid["outcome"].isin(["clean", "double"]).any():
        why = (
            f"none of {len(valid)} strokes has a note (a recording made elsewhere needs its notes: "
            "import it with --midi)"
        )
    else:
        return ""
    return f"{word}: {why}"
