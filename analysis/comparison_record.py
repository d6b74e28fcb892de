"""A comparison as text for the terminal, as JSON, and as a page."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from typing import Any

import jinja2

from analysis.compare import Compared, Comparison
from analysis.measure import UNITS

FORMAT = 1
"""Version of ``comparison.json``."""

_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>Comparison: {{ verdict }}</title><style>
{% include "page.css" %}
.w-worse { color: #b3380b; font-weight: bold; } .w-undecided { color: #6b5200; font-weight: bold; }
</style></head><body>
<h1>Comparison: <span class="w-{{ verdict }}">{{ verdict }}</span></h1>
<p>Before: {{ before }}.</p>
{% for one in comparisons %}
<h2>{{ one.after }}: <span class="w-{{ one.verdict }}">{{ one.verdict }}</span></h2>
<ul>{% for text in one.changed %}<li>Changed: {{ text }}</li>{% endfor %}
{% for text in one.unlike %}<li>Allowed although {{ text }}</li>{% endfor %}</ul>
<table><tr><th>measure</th><th>before</th><th>after</th><th>difference, {{ percent }} %</th>
<th>margin</th><th>verdict</th><th>strokes</th><th>method</th></tr>
{% for row in one.rows %}<tr><td>{{ row.measure }}</td><td class="number">{{ row.before }}</td>
<td class="number">{{ row.after }}</td><td class="number">{{ row.difference }}</td>
<td class="number">{{ row.margin }}</td><td class="w-{{ row.verdict }}">{{ row.verdict }}</td>
<td>{{ row.count }}{% if row.needed %}; {{ row.needed }} a side would decide{% endif %}</td>
<td>{{ row.method }}</td></tr>{% endfor %}</table>
{% endfor %}
<p>Worse and better are shown by one-sided tests, corrected over all measures (Holm) and all builds;
equal by two one-sided tests against the margin. What is neither is undecided.</p>
</body></html>
"""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Named:
    """A comparison, and the run folders that it is of."""

    after: tuple[str, ...]
    comparison: Comparison


def overall(comparisons: Sequence[Named]) -> str:
    """Give the worst verdict: worse, undecided, better, equal."""
    given = {one.comparison.verdict for one in comparisons}
    order = ("worse", "undecided", "better", "equal")
    return next((verdict for verdict in order if verdict in given), "undecided")


def row_of(one: Compared) -> dict[str, str]:
    """Give the figures of one measure as a person reads them, no finer than its margin needs."""
    decimals = max(0, 1 - math.floor(math.log10(one.margin)))
    unit = UNITS.get(one.unit, one.unit)

    def figure(value: float, sign: str = "") -> str:
        if math.isnan(value):
            return "–"
        if math.isinf(value):
            return "−∞" if value < 0 else "∞"
        return f"{round(value, decimals) + 0.0:{sign}.{decimals}f}"

    interval = f" ({figure(one.low, '+')} to {figure(one.high, '+')})"
    return {
        "measure": one.name.replace("_", " "),
        "before": figure(one.before),
        "after": figure(one.after),
        "difference": figure(one.difference, "+") + (interval if math.isfinite(one.low) else ""),
        "margin": f"±{one.margin:g} {unit}",
        "verdict": one.verdict,
        "needed": f"about {float(f'{one.strokes_needed:.2g}'):.0f}" if one.strokes_needed else "",
        "count": f"{one.count_before} and {one.count_after}",
        "method": one.method,
    }


def as_json(before: Sequence[str], comparisons: Sequence[Named]) -> dict[str, Any]:
    """Give plain values for ``json.dumps(allow_nan=False)``; what can't be told is None."""

    def plain(value: Any) -> Any:
        if isinstance(value, dict):
            return {key: plain(one) for key, one in value.items()}
        if isinstance(value, list | tuple):
            return [plain(one) for one in value]
        if isinstance(value, float):
            return value if math.isfinite(value) else None
        return value

    found: dict[str, Any] = plain(
        {
            "format": FORMAT,
            "verdict": overall(comparisons),
            "before": list(before),
            "comparisons": [
                {"after": list(one.after), **dataclasses.asdict(one.comparison)}
                for one in comparisons
            ],
        }
    )
    return found


def as_page(before: Sequence[str], comparisons: Sequence[Named]) -> str:
    """Give one self-contained page."""
    template = jinja2.Environment(
        loader=jinja2.PackageLoader("analysis.report", "."), autoescape=True
    ).from_string(_PAGE)
    confidence = comparisons[0].comparison.confidence if comparisons else 0.95
    return template.render(
        verdict=overall(comparisons),
        before=", ".join(before),
        percent=f"{100 * confidence:g}",
        comparisons=[
            {
                "after": ", ".join(one.after),
                "verdict": one.comparison.verdict,
                "changed": one.comparison.changed,
                "unlike": one.comparison.unlike,
                "rows": [row_of(measure) for measure in one.comparison.measures],
            }
            for one in comparisons
        ],
    )
