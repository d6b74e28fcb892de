"""The report: one HTML file that opens offline, escaped against anything in names."""

from __future__ import annotations

import base64
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import jinja2

from analysis.causes_table import causes_of, causes_table
from analysis.measure import UNITS, Measure
from analysis.provenance import provenance
from analysis.report.causes_part import cause_list, cause_pictures, cause_rows
from analysis.report.pictures import all_pictures
from rig.record.protocol import DecisionRule, Limit

if TYPE_CHECKING:
    from analysis.decide import Decision
    from analysis.pipeline import Analysis

_WORDS = {
    "pass": "PASS",
    "fail": "FAIL",
    "undecided": "UNDECIDED",
    "invalid": "INVALID",
    "incomplete": "INCOMPLETE",
}

_RULES: dict[str, str] = {
    "guarded": "guarded: a limit passes only if the whole interval lies inside it",
    "simple": "simple: the value alone decides",
    "shared_risk": "shared risk: the value decides, and the risk is stated",
}


def write_page(analysis: Analysis) -> str:
    """Give the whole page as text.

    Every name, note and reason is escaped by the template; pictures stand inside as data.
    """
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("analysis.report", "."),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
    )
    overall = analysis.overall
    explained = causes_of(analysis)
    faults = causes_table(analysis, explained)
    pictures = [
        {
            "heading": p.heading,
            "alt": p.alt,
            "words": p.words,
            "data": base64.b64encode(p.png).decode(),
        }
        for p in all_pictures(analysis)
    ]
    start = analysis.start
    title = f"{start.pad_name} with {start.module_name} {start.module_firmware}"
    return environment.get_template("page.html").render(
        title=title,
        subtitle=f"{start.protocol_name} on {start.bench_name}, {_minute(start.created_utc)}",
        overall=overall or "none",
        overall_word=_WORDS.get(overall or "", "NO LIMITS ASKED"),
        overall_reason=analysis.reason(),
        doubts=analysis.doubts,
        decisions=[_decision_row(analysis, decision) for decision in analysis.decisions],
        rule=rule_words(analysis.protocol.limits, analysis.protocol.decision_rule),
        confidence=f"{100 * analysis.protocol.confidence:g} %",
        causes=cause_rows(explained, analysis.specimen.module.settings),
        faults=len(faults),
        listed=cause_list(faults),
        cause_pictures=cause_pictures(analysis, explained),
        pictures=pictures,
        measures=[_row(m) for m in analysis.measures if _tells(m) and not m.stage],
        stage_measures=[_row(m) for m in analysis.measures if _tells(m) and m.stage],
        budget=[
            {"name": name.replace("_", " "), "value": f"{value * 1e6:.1f}"}
            for name, value in analysis.budget_s.items()
        ],
        provenance=[{"name": name, "value": value} for name, value in provenance(analysis)],
    )


def rule_words(limits: Sequence[Limit], rule: DecisionRule) -> str:
    """Tell by what rule limits were decided; those that are decided by another are named."""
    own = [limit for limit in limits if limit.good is not None]
    tests = "; ".join(
        f"{plain_name(limit.measure)} of stage {limit.stage} by Wald's sequential test of "
        f"{limit.good:g} % against {limit.value:g} %, whatever its interval"
        for limit in own
    )
    if own and len(own) == len(limits):
        return tests
    return _RULES[rule] + (f". But {tests}" if own else "")


def plain_name(name: str) -> str:
    """Measure name as a person reads it: ``latency_p95`` as "latency p95"."""
    return name.replace("_", " ")


def _minute(created_utc: str) -> str:
    return f"{created_utc[:10]} {created_utc[11:16]} UTC"


def _decision_row(analysis: Analysis, decision: Decision) -> dict[str, str]:
    """Give one limit's row; its figures stand once, in their own column."""
    measured = analysis.describe(decision)
    why = decision.reason.split(": ", 1)[-1].removeprefix(measured).lstrip(" ;")
    why = why.removeprefix("(the range struck is the limit)").lstrip().removeprefix("is ")
    return {
        "verdict": decision.verdict,
        "name": plain_name(decision.limit.measure),
        "stage": decision.limit.stage,
        "measured": measured,
        "limit": analysis.describe_limit(decision.limit),
        "reason": why[:1].upper() + why[1:],
    }


def _tells(measure: Measure) -> bool:
    return measure.count > 0 or math.isfinite(measure.value)


def number(value: float) -> str:
    """Give four significant digits, or a dash where there is no number."""
    return f"{value:.4g}" if math.isfinite(value) else "–"


def interval_words(measure: Measure) -> str:
    """Give a measure's interval as a person reads it; a dash where neither end is known."""
    known = math.isfinite(measure.low), math.isfinite(measure.high)
    return {
        (True, True): f"{number(measure.low)} to {number(measure.high)}",
        (True, False): f"{number(measure.low)} or more",
        (False, True): f"{number(measure.high)} or less",
        (False, False): "–",
    }[known]


def _row(measure: Measure) -> dict[str, str]:
    unit = UNITS.get(measure.unit, measure.unit)
    direction = "at most " if measure.details.get("direction") == "at_most" else "at least "
    limited = direction if measure.bench_limited else ""
    left_out = ", ".join(f"{count} × {why}" for why, count in measure.excluded.items())
    note = " ".join(part for part in (measure.note, left_out and f"Left out: {left_out}.") if part)
    return {
        "name": plain_name(measure.name),
        "stage": measure.stage or "all",
        "value": f"{limited}{number(measure.value)} {unit}".strip()
        if math.isfinite(measure.value)
        else "no value",
        "interval": interval_words(measure),
        "count": str(measure.count),
        "method": measure.method,
        "note": note,
    }
