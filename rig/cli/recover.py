"""``strikebench recover``: a readable copy of a run that was cut off."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from rig.cli.console import results
from rig.record.recovery_copy import recover_copy


def recover(
    run: Annotated[Path, typer.Argument(help="Folder of the incomplete run.", show_default=False)],
    out: Annotated[
        Path | None, typer.Option(help="Folder to make; by default RUN-recovered.")
    ] = None,
) -> None:
    """Copy what is left of an incomplete run into a new folder that any program can read.

    The run itself is only read, and the copy stays incomplete: it can be looked into, but never
    passes.
    """
    target = out if out is not None else run.with_name(run.name + "-recovered")
    found = recover_copy(run, target)
    results.print(
        f"{target}: INCOMPLETE copy of {run}: {found.strikes_made} of {found.strikes_planned} "
        f"strikes, {found.bursts_begun} of {found.bursts_planned} bursts, {found.events} events, "
        f"{found.recorded_s:.1f} s of recording",
    )
    for fault in found.faults:
        results.print(f"  {fault}")
