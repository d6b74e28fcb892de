"""``strikebench compare``: is the new build better, equal or worse."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

from rig.cli.console import results, told
from rig.cli.exit_code import ExitCode
from rig.record.bench_fault import BenchError

OF_COMPARISON: dict[str, ExitCode] = {
    "better": ExitCode.DONE,
    "equal": ExitCode.DONE,
    "worse": ExitCode.FAIL,
    "undecided": ExitCode.UNDECIDED,
}


def compare(
    before: Annotated[Path, typer.Argument(help="Run folder of the build before.")],
    after: Annotated[Path, typer.Argument(help="Run folder of the build after.")],
    margin: Annotated[
        list[str] | None,
        typer.Option(help="Smallest difference that matters: latency_median=0.3. May be repeated."),
    ] = None,
    measure: Annotated[
        list[str] | None, typer.Option(help="Compare this measure only. May be repeated.")
    ] = None,
    allow: Annotated[
        list[str] | None,
        typer.Option(help="Accept a difference: bench, calibration, protocol, sample_rate_hz."),
    ] = None,
    confidence: Annotated[float, typer.Option(min=0.5, max=0.9999)] = 0.95,
) -> None:
    """Compare two runs of one protocol on one bench, measure by measure and over all."""
    from analysis.alike import RunFacts, facts_of
    from analysis.compare import ASKED
    from analysis.compare import compare as judge
    from analysis.pipeline import analyse_run

    tables, facts = [], []
    incomplete = False
    for path in (before, after):
        analysis = analyse_run(path)
        reader = analysis.recording.reader
        if analysis.recording.status != "complete":
            told.print(f"{path}: the run is {analysis.recording.status}", markup=False)
            incomplete = True
        fact: RunFacts = facts_of(str(path), reader.bench, reader.protocol, reader.specimen)
        facts.append(fact)
        tables.append(analysis.table.strokes)
    found = judge(
        tables[0],
        tables[1],
        facts=(facts[0], facts[1]),
        allow=allow or (),
        margins=_margins(margin or []),
        measures=tuple(measure or ASKED),
        confidence=confidence,
    )
    for change in found.changed:
        results.print(f"changed: {change}", markup=False)
    for difference in found.unlike:
        results.print(f"note: allowed although {difference}", markup=False)
    table = Table(box=None, pad_edge=False)
    for heading in ("measure", "before", "after", "difference", "interval", "margin", "unit"):
        table.add_column(heading, justify="left" if heading == "measure" else "right")
    table.add_column("verdict")
    for one in found.measures:
        more = f", {one.strokes_needed} strokes a side decide" if one.strokes_needed else ""
        table.add_row(
            one.name,
            *(f"{value:.3g}" for value in (one.before, one.after, one.difference)),
            f"{one.low:.3g} to {one.high:.3g}",
            f"±{one.margin:g}",
            one.unit,
            one.verdict + more,
        )
    results.print(table)
    results.print(f"{found.verdict.upper()} at {100 * confidence:g} % confidence", markup=False)
    if incomplete:
        told.print("a run that is not complete is never shown equal: strike it again")
        raise typer.Exit(ExitCode.INCOMPLETE)
    raise typer.Exit(OF_COMPARISON[found.verdict])


def _margins(texts: list[str]) -> dict[str, float]:
    found: dict[str, float] = {}
    for text in texts:
        name, _, number = text.partition("=")
        try:
            found[name.strip()] = float(number)
        except ValueError as error:
            raise BenchError(
                f"comparison: margin {text!r}; it is written as measure=number, such as "
                "latency_median=0.3"
            ) from error
    return found
