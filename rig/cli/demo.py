"""``strikebench demo``: a good and a bad build of a module's firmware on the simulated bench."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Annotated

import typer

from rig.cli.console import results, told
from rig.record.bench_fault import BenchError
from rig.record.run_folder import RunReader

_BUILDS = (("good", "good_build"), ("bad", "bad_build"))


def demo(
    out: Annotated[Path, typer.Option(help="Folder for the two runs.")] = Path("runs"),
) -> None:
    """Strike a simulated pad with two builds of a module, and write two reports."""
    from analysis.evidence import why
    from analysis.pipeline import analyse_run
    from analysis.report.causes_part import cause_rows
    from rig.cli.analyse import verdict_line
    from rig.cli.report import write_report
    from rig.cli.run import strike

    for name, specimen in _BUILDS:
        folder = out / f"demo-{name}"
        if folder.exists():
            _clear_away(folder)
        told.print(f"striking the {name} build ...")
        run = strike("demo", "simulated", specimen, folder)
        analysis = analyse_run(run)
        page = write_report(run, analysis=analysis)
        results.print(f"\n{name} build: {(analysis.overall or 'none').upper()}")
        for decision in analysis.decisions:
            results.print(verdict_line(decision.verdict, decision.reason))
        for row in cause_rows(why(analysis), analysis.specimen.module.settings):
            results.print(
                f"{row['count']:>10} {row['kind']}: {row['cause']}; avoided by {row['mend']}",
            )
        results.print(f"  report: {page}")


def _clear_away(folder: Path) -> None:
    """Remove a run that an earlier demo made, and that comes again from its seed; no other one.

    Raises
    ------
    BenchError
        Something else is there.
    """
    try:
        start = RunReader.open(folder).start
        mine = start.protocol_name == "demo" and start.port.startswith("sim://")
    except BenchError:
        mine = False
    if not mine:
        raise BenchError(
            f"{folder}: something is there that no demo made; nothing is overwritten. Move it "
            "away, or give another folder with --out"
        )
    shutil.rmtree(folder)
