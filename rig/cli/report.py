"""``strikebench report``: one HTML file that opens offline."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from rig.cli.console import told


def report(
    run: Annotated[Path, typer.Argument(help="Run folder.")],
    out: Annotated[
        Path | None, typer.Option(help="File to write; by default RUN/analysis/report.html.")
    ] = None,
) -> None:
    """Draw a run's report: decision first, then pictures and measures with their intervals."""
    told.print(f"written: {write_report(run, out)}", markup=False)


def write_report(run: Path, out: Path | None = None) -> Path:
    """Analyse a run anew and write its page; give the page's path."""
    from analysis.pipeline import analyse_run, write_tables
    from analysis.report.page import write_page

    analysis = analyse_run(run)
    path = out or write_tables(analysis) / "report.html"
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(path.name + ".part")
    part.write_text(write_page(analysis), encoding="utf-8")
    part.replace(path)
    return path
