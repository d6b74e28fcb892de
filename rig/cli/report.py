"""``strikebench report``: one HTML file that opens offline."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rig.cli.console import told
from rig.record.bench_fault import BenchError

if TYPE_CHECKING:
    from analysis.pipeline import Analysis


def report(
    run: Annotated[Path, typer.Argument(help="Run folder.")],
    out: Annotated[
        Path | None, typer.Option(help="File to write; by default RUN/analysis/report.html.")
    ] = None,
) -> None:
    """Draw a run's report: decision first, then pictures and measures with their intervals."""
    told.print(f"written: {write_report(run, out)}")


def write_report(run: Path, out: Path | None = None, analysis: Analysis | None = None) -> Path:
    """Write a run's page, of this analysis or of a new one; give the page's path."""
    from analysis.pipeline import analyse_run
    from analysis.report.page import write_page
    from analysis.result_files import write_tables

    if out is not None and out.is_dir():
        raise BenchError(f"{out}: a folder; name the file to write, as in {out / 'report.html'}")
    if analysis is None:
        analysis = analyse_run(run)
    path = out or write_tables(analysis) / "report.html"
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(path.name + ".part")
    part.write_text(write_page(analysis), encoding="utf-8")
    part.replace(path)
    return path
