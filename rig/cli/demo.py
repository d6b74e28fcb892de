"""``strikebench demo``: a good and a bad build of a module's firmware on the simulated bench."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Annotated

import typer

from rig.cli.console import results, told

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
        if (folder / "start.json").exists():
            # made by an earlier demo, and made again from its seed: the one run that is replaced
            shutil.rmtree(folder)
        told.print(f"striking the {name} build ...")
        run = strike("demo", "simulated", specimen, folder)
        analysis = analyse_run(run)
        page = write_report(run, analysis=analysis)
        results.print(f"\n{name} build: {(analysis.overall or 'none').upper()}", markup=False)
        for decision in analysis.decisions:
            results.print(verdict_line(decision.verdict, decision.reason), markup=False)
        for row in cause_rows(why(analysis), analysis.specimen.module.settings):
            results.print(
                f"{row['count']:>10} {row['kind']}: {row['cause']}; avoided by {row['mend']}",
                markup=False,
            )
        results.print(f"  report: {page}", markup=False)
