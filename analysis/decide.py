"""From measure and limit to pass, fail or undecided."""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Collection, Iterable, Sequence
from typing import Literal

from scipy import stats

from analysis.further_strokes import further_strokes
from analysis.measure import UNITS, Measure
from analysis.selection import OWED_TO_SPECIMEN
from analysis.sequential import share_test
from rig.record.measure_names import MEASURED_ON
from rig.record.protocol import DecisionRule, Limit

Verdict = Literal["pass", "fail", "undecided", "invalid", "incomplete"]
RunStatus = Literal["complete", "incomplete", "failed"]

_TO_MS = {"ms": 1.0, "us": 1e-3}
_SEARCHED = ("resolvable_rate", "flam_gap", "velocity_dead_zone")  # what a search looks for
_FURTHER = re.compile(r" (About \d+|1) further [^.]+ would decide, if the figure stays\.")
_COUNTED = {
    "stray_rate": "second",
    "noise_floor": "block of 50 ms",
    "flam_gap_50": "pair",
    "flam_gap_95": "pair",
    "flam_order_kept": "pair",
    "flam_level_kept": "pair",
    "double_delay_median": "double",
    "host_offset_mean": "note",
    "host_offset_sd": "note",
    "din_line_offset_mean": "note",
    "din_line_offset_sd": "note",
}
"""What the count of a measure is of, where not of strokes."""
_NEEDS = {
    **{start: f"; it takes strokes of pattern {pattern}" for start, pattern in MEASURED_ON.items()},
    "velocity": "; it takes single strokes, over several forces, and their notes",
    "sound": "; it takes the module's output on an input of role module_out",
    "host": "; it takes notes at a host port and at a surer source",
    "din_line": "; it takes an input of role din_line and the board's DIN input",
}
"""What a measure can't be had without, by the beginning of its name."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Decision:
    """What became of one limit.

    Attributes
    ----------
    limit, measure
        The demand, and the measure it is of; ``None`` where the run has no such measure.
    verdict
        Never ``pass`` on NaN, on nothing, or on fewer strokes than demanded.
    reason
        A sentence for the person at the bench.
    further_strokes
        About how many more would decide it, if the figure stays what it is; ``None`` where that
        can't be told or no number would.
    """

    limit: Limit
    measure: Measure | None
    verdict: Verdict
    reason: str
    further_strokes: int | None = None


def _in_unit(limit: Limit, unit: str) -> float:
    """Return the limit's value in `unit`; NaN if it is of another kind."""
    if limit.unit == unit:
        return limit.value
    if limit.unit in _TO_MS and unit in _TO_MS:
        return limit.value * _TO_MS[limit.unit] / _TO_MS[unit]
    return math.nan


def _plain(number: float, unit: str) -> str:
    return f"{number:.4g} {UNITS.get(unit, unit)}".rstrip()


def describe(measure: Measure) -> str:
    """Return value and interval as a person reads them.

    "At least" or "at most" where the bench, not the specimen, is the limit; a side of the interval
    that isn't known is left out.
    """
    if not math.isfinite(measure.value):
        value = "no value"
    else:
        value = _plain(measure.value, measure.unit)
        if measure.bench_limited:
            value = f"{measure.details.get('direction', 'at_least').replace('_', ' ')} {value}"
    low, high = (f"{bound:.4g}" for bound in (measure.low, measure.high))
    if math.isfinite(measure.low) and math.isfinite(measure.high):
        return f"{value} [{low}, {high}]"
    if math.isfinite(measure.low):
        return f"{value} [{low} or more]"
    return f"{value} [{high} or less]" if math.isfinite(measure.high) else f"{value} [not bounded]"


def _risk(measure: Measure, bound: float) -> float:
    """Return the chance that the true figure lies beyond the bound, by a normal of this width."""
    side = measure.high if bound > measure.value else measure.low
    half = abs(side - measure.value)
    if not math.isfinite(half):
        return math.nan
    if half == 0:
        return 0.0
    sd = half / float(stats.norm.ppf((1 + measure.confidence) / 2))
    return float(stats.norm.sf(abs(bound - measure.value) / sd))


def _sequential(good: float, bad: float, measure: Measure) -> tuple[Verdict, str, int | None]:
    """Decide a share by Wald's sequential test; it holds whenever the strokes ended."""
    test = share_test(good, bad, measure.confidence)
    events = round(measure.value / 100 * measure.count)
    found = test.verdict(events, measure.count)
    seen = f"{events} of {measure.count} strokes"
    by = f"by Wald's sequential test of {good:g} % against {bad:g} %"
    if found == "at_most_good":
        return "pass", f"{seen}: good, {by}.", None
    if found == "at_least_bad":
        return "fail", f"{seen}: bad, {by}.", None
    mean = test.expected_strokes(measure.value / 100)
    return "undecided", f"{seen}: not decided {by}.", max(1, math.ceil(mean - measure.count))


def decide(
    limit: Limit,
    measure: Measure | None,
    *,
    rule: DecisionRule = "guarded",
    run_status: RunStatus = "complete",
) -> Decision:
    """Decide one limit.

    Parameters
    ----------
    limit
        What is demanded.
    measure
        The measure of that name and stage, or ``None``.
    rule
        Of limits without ``good``, which are decided by Wald's sequential test.
        ``guarded``: the whole interval inside passes, the whole interval outside fails, across is
        undecided. ``simple``: the value decides. ``shared_risk``: the value decides, and the
        reason states the risk. Values on the bound are inside.
    run_status
        ``incomplete`` (no stop record, or stopped by hand) and ``failed`` (bench fault) overrule
        every figure.
    """
    at_most = limit.bound == "at_most"
    asked = f"{limit.measure} {limit.bound.replace('_', ' ')} {_plain(limit.value, limit.unit)}"
    if limit.stage:
        asked += f" in stage {limit.stage}"

    def made(verdict: Verdict, why: str, further: int | None = None) -> Decision:
        more = ""
        if further is not None:
            # two digits, for it is no more certain than that; upwards, so that they are enough
            step = 10 ** max(len(str(further)) - 2, 0)
            about = math.ceil(further / step) * step
            one = _COUNTED.get(limit.measure, "stroke")
            many = one.replace(" ", "s ", 1) if " " in one else f"{one}s"
            told = f"1 further {one}" if about == 1 else f"About {about} further {many}"
            more = f" {told} would decide, if the figure stays."
        return Decision(
            limit=limit, measure=measure, verdict=verdict, reason=f"{asked}: {why}{more}",
            further_strokes=further,
        )  # fmt: skip

    if run_status == "incomplete":
        return made("incomplete", "the run was not finished, so nothing is decided.")
    if run_status == "failed":
        return made("invalid", "the run ended on a bench fault, so nothing is decided.")
    if measure is None:
        needs = next((n for start, n in _NEEDS.items() if limit.measure.startswith(start)), "")
        return made("undecided", f"this run does not measure it{needs}.")
    bound = _in_unit(limit, measure.unit)
    if not math.isfinite(bound):
        return made(
            "invalid", f"the measure is in {measure.unit}, the limit in {limit.unit}; correct the "
            "protocol.",
        )  # fmt: skip
    if measure.count == 0 and set(measure.excluded) - OWED_TO_SPECIMEN:
        reasons = ", ".join(f"{n} × {why}" for why, n in measure.excluded.items())
        return made("invalid", f"no usable stroke ({reasons}).")
    known = math.isfinite(measure.value)
    found = describe(measure)
    if measure.bench_limited and known:
        found += " (the range struck is the limit)"
    outside = measure.low > bound if at_most else measure.high < bound
    inside = measure.high <= bound if at_most else measure.low >= bound
    if measure.count < limit.least_strokes:
        lacking = limit.least_strokes - measure.count
        return made(
            "undecided", f"{found} from a count of {measure.count}; at least {limit.least_strokes} "
            "are demanded.", lacking,
        )  # fmt: skip
    if measure.count == 0:
        return made("undecided", f"no stroke to measure it on. {measure.note}".rstrip())
    if limit.good is not None and known:
        return made(*_sequential(limit.good, bound, measure))
    if not known:
        if outside:
            return made("fail", f"{found} is wholly outside. {measure.note}".rstrip())
        return made("undecided", f"it could not be told. {measure.note}".rstrip())
    if rule == "guarded":
        if inside:
            return made("pass", f"{found} is wholly inside.")
        if outside:
            return made("fail", f"{found} is wholly outside.")
        further = further_strokes(measure, bound, at_most=at_most)
        where = "lies across the limit" if not measure.bench_limited else "is not proven far enough"
        return made("undecided", f"{found} {where}.", further)
    value_inside = measure.value <= bound if at_most else measure.value >= bound
    direction = measure.details.get("direction", "at_least")
    if measure.bench_limited and value_inside != (direction == limit.bound):
        # "At least 40" says neither that 50 is reached nor that 50 is not passed.
        return made("undecided", f"{found}: the true figure may lie beyond what was struck.")
    verdict: Verdict = "pass" if value_inside else "fail"
    side = "inside" if value_inside else "outside"
    if rule == "simple":
        return made(verdict, f"{found}; the value is {side}, its interval is not looked at.")
    risk = _risk(measure, bound)
    told = "not known"
    if math.isfinite(risk):
        told = "under 0.01 %" if risk < 1e-4 else f"{100 * risk:.2g} %"
    return made(verdict, f"{found}; the value is {side}. Risk that the true figure isn't: {told}.")


def decide_all(
    limits: Sequence[Limit],
    measures: Iterable[Measure],
    *,
    rule: DecisionRule = "guarded",
    run_status: RunStatus = "complete",
    searched: Collection[str] = (),
) -> list[Decision]:
    """Decide every limit, each on the measure of its name and stage.

    ``searched``: stages of which a search chose the strokes.
    """
    by_name = {(measure.name, measure.stage): measure for measure in measures}
    found = [
        decide(limit, by_name.get((limit.measure, limit.stage)), rule=rule, run_status=run_status)
        for limit in limits
    ]
    return [_told_of_search(one) if one.limit.stage in searched else one for one in found]


def _told_of_search(decision: Decision) -> Decision:
    """Say why a level that was searched can stay undecided, and what to do; no strokes to add."""
    if decision.verdict != "undecided" or not decision.limit.measure.startswith(_SEARCHED):
        return decision
    reason = _FURTHER.sub("", decision.reason) + (
        " The stage was searched: the search's own answer, in its note, trusts a curve; this "
        "figure trusts none, so its interval is wider. Strike the whole stage, without its "
        "precision, to decide it."
    )
    return dataclasses.replace(decision, reason=reason, further_strokes=None)


def overall(decisions: Sequence[Decision], run_status: RunStatus = "complete") -> Verdict | None:
    """Return the worst verdict; ``None`` where a complete run has nothing demanded of it.

    A failed limit outranks an invalid one, for the run as a whole is then complete and the
    failure was measured.
    """
    if run_status != "complete":
        return "incomplete" if run_status == "incomplete" else "invalid"
    order: tuple[Verdict, ...] = ("fail", "invalid", "incomplete", "undecided", "pass")
    given = {decision.verdict for decision in decisions}
    return next((verdict for verdict in order if verdict in given), None)
