"""``strikebench verify-record``: tells whether run folders are whole and unchanged."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from rig.cli.console import results
from rig.cli.exit_code import ExitCode
from rig.record.bench_fault import BenchError
from rig.record.run_folder import RunReader, verify


def verify_record(
    runs: Annotated[list[Path], typer.Argument(help="Run folders.", show_default=False)],
) -> None:
    """Check every checksum, size and count of run folders; nothing is changed.

    Exit code 0 if all are whole, 5 if one is incomplete or was stopped, 4 if one failed or its
    sound was changed, 2 if one can't be read: another file was changed or is missing, or there is
    no run; the worst of them counts.
    """
    codes = [_verify(run) for run in runs]
    for worst in (ExitCode.BAD_INPUT, ExitCode.INVALID, ExitCode.INCOMPLETE):
        if worst in codes:
            raise typer.Exit(worst)


def _verify(path: Path) -> ExitCode:
    faults = verify(path)
    for fault in faults:
        results.print(fault)
    try:
        status = RunReader.open(path).status
    except BenchError:
        return ExitCode.BAD_INPUT
    results.print(f"{path}: {status}")
    if status in ("incomplete", "stopped"):
        return ExitCode.INCOMPLETE
    return ExitCode.INVALID if faults else ExitCode.DONE
