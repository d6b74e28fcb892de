"""A comparison as text for the terminal, as JSON, and as a page."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING, Any

import jinja2

from analysis.asked import ASKED
from analysis.compare import Comparison
from analysis.judged import AtForce, Compared
from analysis.measure import UNITS

if TYPE_CHECKING:
    from analysis.pipeline import Analysis

FORMAT = 1
"""Version of ``comparison.json``."""

_SENTENCES = {
    "better": "Something is shown to be better, and all else to be equal within its margin{}.",
    "equal": "Every measure is shown to be equal within its margin{}.",
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

    def said_of_measures(self) -> tuple[str, ...]:
        """Say what isn't compared although it was recorded, and of which zones crosstalk is."""
        found = self.comparison
        said = [f"nothing to compare, {text}" for text in found.why_undecided]
        if any(one.name == "crosstalk_level" for one in found.measures):
            said.append(f"crosstalk level: from {self.zones}")
        for text in found.left_out:
            name, space, why = text.partition(" ")
            said.append(name.replace("_", " ") + space + why)
        if found.not_compared:
            names = ", ".join(name.replace("_", " ") for name in found.not_compared)
            said.append(f"not compared, though all runs hold it: {names}")
        if self.aside:
            said.append(
                f"undecided, which is left aside: {self.aside} (no margin was asked for, and the "
                "difference found is within the usual one)"
            )
        return tuple(said)

    @property
    def aside(self) -> str:
        """Names of the measures whose verdict doesn't hold up that over all."""
        return ", ".join(
            one.name.replace("_", " ") for one in self.comparison.measures if one.aside
        )


def overruled_by(statuses: Collection[str]) -> str:
    """Give ``invalid`` or ``incomplete`` where a run failed or was not finished, else ""."""
    if set(statuses) <= {"complete"}:
        return ""
    return "invalid" if "failed" in statuses else "incomplete"


def overall(comparisons: Sequence[Named]) -> str:
    """Give the worst verdict: invalid, incomplete, worse, undecided, better, equal."""
    given = {one.verdict for one in comparisons}
    return next((verdict for verdict in _ORDER if verdict in given), "undecided")


def _figure(value: float, decimals: int, sign: str = "") -> str:
    if math.isnan(value):
        return "–"
    if math.isinf(value):
        return "−∞" if value < 0 else "∞"
    return f"{round(value, decimals) + 0.0:{sign}.{decimals}f}"


def _decimals(one: Compared) -> int:
    return max(0, 1 - math.floor(math.log10(one.margin)))


def _difference(one: Compared | AtForce, decimals: int) -> str:
    text = _figure(one.difference, decimals, "+")
    if math.isnan(one.low):
        return text
    return f"{text} ({_figure(one.low, decimals, '+')} to {_figure(one.high, decimals, '+')})"


def row_of(one: Compared) -> dict[str, str]:
    """Give the figures of one measure as a person reads them, no finer than its margin needs."""
    decimals = _decimals(one)
    # short, for a terminal of 80 columns
    unit = "1/s" if one.unit == "per_s" else UNITS.get(one.unit, one.unit)
    needed = f"about {float(f'{one.strokes_needed:.2g}'):.0f} {one.counted}"
    count = f"{one.count_before} and {one.count_after}"
    return {
        "measure": one.name.replace("_", " "),
        "before": _figure(one.before, decimals),
        "after": _figure(one.after, decimals),
        "difference": _difference(one, decimals),
        "margin": f"±{one.margin:g} {unit}",
        "verdict": one.verdict,
        "needed": needed if one.strokes_needed else "",
        "count": count if one.counted == "strokes" else f"{count} {one.counted}",
        "method": one.method,
        "blamed": _blamed(one),
    }


def _blamed(one: Compared) -> str:
    """Name a measure that is worse, and the force where that is shown."""
    name, at = one.name.replace("_", " "), one.most_changed
    if one.verdict != "worse" or at is None or at.verdict != "worse":
        return name
    return f"{name} at {at.force}" if one.over_all != "worse" else f"{name} (most at {at.force})"


def force_row_of(one: Compared) -> dict[str, str] | None:
    """Give the figures at the force that the verdict rests on, or where most changed."""
    at, decimals = one.most_changed, _decimals(one)
    if at is None:
        return None
    share = ASKED[one.name].forces == "shown"
    return {
        "measure": one.name.replace("_", " "),
        "force": at.force,
        "before": _figure(at.before, decimals),
        "after": _figure(at.after, decimals),
        "difference": _difference(at, decimals),
        # so few strokes can't show a share to be equal, nor have they to
        "verdict": "–" if share and at.verdict == "undecided" else at.verdict,
        "count": f"{at.count_before} and {at.count_after}",
        "method": at.method,
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
                    "measures": [_measure(measure) for measure in one.comparison.measures],
                    "verdict": one.verdict,
                    "zones": one.zones,
                }
                for one in comparisons
            ],
        }
    )
    return found


def _measure(one: Compared) -> dict[str, Any]:
    most = one.most_changed
    return {**dataclasses.asdict(one), "changed_most_at": most.force if most else ""}


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
        ", ".join(row["blamed"] for row in own if row["verdict"] == "worse")
        + (f" in {', '.join(one.after)}" if len(comparisons) > 1 else "")
        for one, own in zip(comparisons, rows, strict=True)
        if one.verdict == "worse"
    ]
    aside = ", ".join(dict.fromkeys(one.aside for one in comparisons if one.aside))
    but = f" (left aside, since undecided: {aside})" if aside else ""
    return environment.get_template("comparison.html").render(
        verdict=verdict,
        sentence=_SENTENCES.get(verdict, f"Shown to be worse: {'; '.join(blamed)}.").format(but),
        frame=_FRAMES.get(verdict, "undecided"),
        percent=f"{100 * confidence:g}",
        cautions=cautions,
        runs=runs,
        methods=_methods(comparisons),
        comparisons=[
            {
                "after": ", ".join(one.after),
                "verdict": one.verdict,
                "changed": one.comparison.changed,
                "unlike": one.comparison.unlike,
                "said": one.said_of_measures(),
                "rows": own,
                "forces": list(filter(None, map(force_row_of, one.comparison.measures))),
            }
            for one, own in zip(comparisons, rows, strict=True)
        ],
    )


def _methods(comparisons: Sequence[Named]) -> list[str]:
    """Name the method of each measure, and of the same at each force."""
    found: dict[str, str] = {}
    for measure in (one for named in comparisons for one in named.comparison.measures):
        at_forces = measure.forces[0].method if measure.forces else measure.method
        text = measure.method + (
            f" (at forces: {at_forces})" if at_forces != measure.method else ""
        )
        found.setdefault(measure.name.replace("_", " "), text)
    return [f"{name}: {text}" for name, text in found.items()]
