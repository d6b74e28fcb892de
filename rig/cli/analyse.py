"""``strikebench analyse``: from a run folder to a stroke table, measures and decisions."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.table import Table

from rig.cli.console import results, told
from rig.cli.exit_code import OF_VERDICT

if TYPE_CHECKING:
    from analysis.pipeline import Analysis


def analyse(
    run: Annotated[Path, typer.Argument(help="Run folder.")],
    every: Annotated[
        bool, typer.Option("--all", help="Print every measure of every stage.")
    ] = False,
) -> None:
    """Measure a run, write the tables beside the raw data, and print what was found."""
    from analysis.pipeline import analyse_run, write_tables

    analysis = analyse_run(run)
    folder = write_tables(analysis)
    results.print(measure_table(analysis, every=every))
    for doubt in analysis.doubts:
        results.print(f"note: {doubt}", markup=False)
    print_decisions(analysis)
    told.print(f"written: {folder}", markup=False)
    if analysis.overall is not None:
        raise typer.Exit(OF_VERDICT[analysis.overall])


def measure_table(analysis: Analysis, *, every: bool = False) -> Table:
    """Give the measures of the whole run, or of each stage too."""
    from analysis.measure import UNITS
    from analysis.report.page import number, plain_name

    table = Table(box=None, pad_edge=False)
    for heading in ("measure", "stage"):
        table.add_column(heading)
    for heading in ("value", "interval", "unit", "count"):
        table.add_column(heading, justify="right")
    table.add_column("method of the interval")
    for measure in analysis.measures:
        if (measure.stage and not every) or not (measure.count or math.isfinite(measure.value)):
            continue
        limited = ""
        if measure.bench_limited:
            limited = "≤ " if measure.details.get("direction") == "at_most" else "≥ "
        table.add_row(
            plain_name(measure.name),
            measure.stage or "all",
            f"{limited}{number(measure.value)}",
            f"{number(measure.low)} to {number(measure.high)}",
            UNITS.get(measure.unit, measure.unit),
            str(measure.count),
            measure.method,
        )
    return table


def print_decisions(analysis: Analysis) -> None:
    """Print a line for each limit, and the verdict over all."""
    for decision in analysis.decisions:
        results.print(f"{decision.verdict:>10}  {decision.reason}", markup=False)
    word = (analysis.overall or "no limits asked").upper()
    results.print(f"{word}: {analysis.reason()}", markup=False)
