"""A comparison as text for the terminal, as JSON, and as a page."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING, Any

import jinja2

from analysis.compare import Compared, Comparison
from analysis.measure import UNITS

if TYPE_CHECKING:
    from analysis.pipeline import Analysis

FORMAT = 1
"""Version of ``comparison.json``."""

_SENTENCES = {
    "better": "Something is shown to be better, and all else to be equal within its margin.",
    "equal": "Every measure is shown to be equal within its margin.",
    "undecided": "No measure is shown to be worse, and not all are shown to be equal: see how many "
    "strokes would decide.",
    "incomplete": "A run was not finished, so nothing is decided; what was recorded is shown.",
    "invalid": "A run ended on a fault of the bench, so nothing is decided; what was recorded is "
    "shown.",
}
_FRAMES = {"worse": "fail", "better": "pass", "equal": "pass"}
_ORDER = ("invalid", "incomplete", "worse", "undecided", "better", "equal")


@dataclasses.dataclass(frozen=True, kw_only=True)
class ComparedRun:
    """What a person has to know of a run; ``side``: before or after; ``made``: to the minute."""

    side: str
    folder: str
    run_id: str
    made: str
    pad: str
    module: str
    bench: str
    protocol: str
    status: str


def compared_run(side: str, folder: str, analysis: Analysis) -> ComparedRun:
    """Take from a run what its line says."""
    start, specimen = analysis.start, analysis.specimen
    pad, module = specimen.pad, specimen.module
    made = start.created_utc
    return ComparedRun(
        side=side,
        folder=folder,
        run_id=start.run_id,
        made=f"{made[:10]} {made[11:16]} UTC",
        pad=", ".join(text for text in (pad.name, pad.serial, pad.mounting) if text),
        module=", ".join(
            text for text in (module.name, module.serial, f"firmware {module.firmware}") if text
        ),
        bench=start.bench_name,
        protocol=start.protocol_name,
        status=analysis.recording.status,
    )


@dataclasses.dataclass(frozen=True, kw_only=True)
class Named:
    """A comparison, and the run folders that it is of; ``incomplete`` or ``invalid`` overrule it.

    ``overruled``: empty where all its runs are complete. ``zones``: between which crosstalk's
    level is.
    """

    after: tuple[str, ...]
    comparison: Comparison
    overruled: str = ""
    zones: str = ""

    @property
    def verdict(self) -> str:
        """Of the comparison, unless a run of it is not complete."""
        return self.overruled or self.comparison.verdict

    def said_of_zones(self) -> tuple[str, ...]:
        """Say between which zones crosstalk is compared, and what of it is not, and why."""
        compared = any(one.name == "crosstalk_level" for one in self.comparison.measures)
        pair = (f"crosstalk level: from {self.zones}",) if compared else ()
        return (*pair, *(text.replace("_", " ", 1) for text in self.comparison.left_out))


def overruled_by(statuses: Collection[str]) -> str:
    """Give ``invalid`` or ``incomplete`` where a run failed or was not finished, else ""."""
    if set(statuses) <= {"complete"}:
        return ""
    return "invalid" if "failed" in statuses else "incomplete"


def overall(comparisons: Sequence[Named]) -> str:
    """Give the worst verdict: invalid, incomplete, worse, undecided, better, equal."""
    given = {one.verdict for one in comparisons}
    return next((verdict for verdict in _ORDER if verdict in given), "undecided")


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
        "difference": figure(one.difference, "+") + ("" if math.isnan(one.low) else interval),
        "margin": f"±{one.margin:g} {unit}",
        "verdict": one.verdict,
        "needed": f"about {float(f'{one.strokes_needed:.2g}'):.0f}" if one.strokes_needed else "",
        "count": f"{one.count_before} and {one.count_after}",
        "method": one.method,
    }


def as_json(
    runs: Sequence[ComparedRun], comparisons: Sequence[Named], cautions: Sequence[str] = ()
) -> dict[str, Any]:
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
            "before": [run.folder for run in runs if run.side == "before"],
            "runs": [dataclasses.asdict(run) for run in runs],
            "cautions": list(cautions),
            "comparisons": [
                {
                    "after": list(one.after),
                    **dataclasses.asdict(one.comparison),
                    "verdict": one.verdict,
                    "zones": one.zones,
                }
                for one in comparisons
            ],
        }
    )
    return found


def as_page(
    runs: Sequence[ComparedRun], comparisons: Sequence[Named], cautions: Sequence[str] = ()
) -> str:
    """Give one self-contained page."""
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("analysis.report", "."),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
    )
    confidence = comparisons[0].comparison.confidence if comparisons else 0.95
    verdict = overall(comparisons)
    rows = [[row_of(measure) for measure in one.comparison.measures] for one in comparisons]
    blamed = [
        ", ".join(row["measure"] for row in own if row["verdict"] == "worse")
        + (f" in {', '.join(one.after)}" if len(comparisons) > 1 else "")
        for one, own in zip(comparisons, rows, strict=True)
        if one.verdict == "worse"
    ]
    return environment.get_template("comparison.html").render(
        verdict=verdict,
        sentence=_SENTENCES.get(verdict) or f"Shown to be worse: {'; '.join(blamed)}.",
        frame=_FRAMES.get(verdict, "undecided"),
        percent=f"{100 * confidence:g}",
        cautions=cautions,
        runs=runs,
        methods=rows[0] if rows else [],
        comparisons=[
            {
                "after": ", ".join(one.after),
                "verdict": one.verdict,
                "changed": one.comparison.changed,
                "unlike": one.comparison.unlike,
                "zones": one.said_of_zones(),
                "rows": own,
            }
            for one, own in zip(comparisons, rows, strict=True)
        ],
    )
