"""``strikebench analyse``: from a run folder to a stroke table, measures and decisions."""

from __future__ import annotations

import math
import shlex
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.table import Table

from rig.cli.console import results, told
from rig.cli.exit_code import OF_VERDICT

_WIDE = 140
"""Columns of a screen from which on the methods of the intervals have room."""

if TYPE_CHECKING:
    from analysis.pipeline import Analysis


def analyse(
    run: Annotated[Path, typer.Argument(help="Run folder.")],
    every: Annotated[
        bool, typer.Option("--all", help="Print every measure of every stage.")
    ] = False,
) -> None:
    """Measure a run, write the tables beside the raw data, and print what was found."""
    from analysis.pipeline import analyse_run
    from analysis.result_files import write_tables

    analysis = analyse_run(run)
    folder = write_tables(analysis)
    results.print(measure_table(analysis, every=every))
    seen = int(analysis.table.strokes["onset_t_s"].notna().sum())
    results.print(f"strokes felt: {seen}; notes from {analysis.note_source()}")
    for doubt in analysis.doubts:
        results.print(f"note: {doubt}")
    print_decisions(analysis)
    told.print(f"written: {folder}")
    if analysis.overall is not None:
        raise typer.Exit(OF_VERDICT[analysis.overall])


def measure_table(analysis: Analysis, *, every: bool = False) -> Table:
    """Give the measures of the whole run, or of each stage too."""
    from analysis.measure import UNITS
    from analysis.report.page import interval_words, number, plain_name

    table = Table(box=None, pad_edge=False)
    methods = results.width >= _WIDE
    table.add_column("measure", no_wrap=True)
    if every:
        table.add_column("stage", no_wrap=True, max_width=24)
    for heading in ("value", "interval"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("unit", no_wrap=True)
    table.add_column("count", justify="right", no_wrap=True)
    if methods:
        table.add_column("method of the interval", no_wrap=True)
    for measure in analysis.measures:
        if (measure.stage and not every) or not (measure.count or math.isfinite(measure.value)):
            continue
        limited = ""
        if measure.bench_limited:
            limited = "≤ " if measure.details.get("direction") == "at_most" else "≥ "
        table.add_row(
            plain_name(measure.name),
            *([measure.stage or "all"] if every else []),
            f"{limited}{number(measure.value)}",
            interval_words(measure),
            UNITS.get(measure.unit, measure.unit),
            str(measure.count),
            *([measure.method] if methods else []),
        )
    return table


def verdict_line(verdict: str, reason: str) -> str:
    """Give verdict and reason; on a screen, broken so that the verdicts stand free at the left."""
    line = f"{verdict:>10}  {reason}"
    if not results.is_terminal:
        return line
    return textwrap.fill(line, results.width, subsequent_indent=" " * 12, break_long_words=False)


def print_decisions(analysis: Analysis) -> None:
    """Print a line for each limit, and the verdict over all."""
    for decision in analysis.decisions:
        results.print(verdict_line(decision.verdict, decision.reason))
    word = (analysis.overall or "no limits asked").upper()
    results.print(f"{word}: {analysis.reason()}")
    copied = (analysis.path / "recovered.json").exists()
    if analysis.recording.status != "complete" and not (analysis.recording.imported or copied):
        told.print(
            f"To go on with it: strikebench run PROTOCOL --bench BENCH --specimen SPECIMEN "
            f"--resume {shlex.quote(str(analysis.path))}"
        )
