"""``strikebench run``: strike a protocol on a bench and record it."""

from __future__ import annotations

import contextlib
import datetime
import signal
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rig.cli.console import told
from rig.cli.exit_code import ExitCode, code_of
from rig.record.bench_fault import BenchError
from rig.record.calibration_age import calibration_doubts

if TYPE_CHECKING:
    from rig.resuming import Resumed
    from rig.run_files import RunFiles


def run(
    protocol: Annotated[str, typer.Argument(help="Protocol file, or the name of a shipped one.")],
    specimen: Annotated[str, typer.Option(help="Specimen file: what is under test.")],
    bench: Annotated[str, typer.Option(help="Bench file.")] = "simulated",
    out: Annotated[
        Path | None, typer.Option(help="Run folder to make; by default one under runs/.")
    ] = None,
    seed: Annotated[
        int | None, typer.Option(min=0, help="Seed of shuffled orders and spreads.")
    ] = None,
    trace: Annotated[
        Path | None, typer.Option(help="Write every decoded frame of the link to this file.")
    ] = None,
    unattended: Annotated[
        bool, typer.Option("--unattended", help="Don't wait at prompts.")
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="No live line; no analysis.")] = False,
    resume: Annotated[
        Path | None,
        typer.Option(help="Go on with this run, stopped or cut off, in a part of its own."),
    ] = None,
) -> None:
    """Strike a protocol, record it whole, analyse it, and say what it decided."""
    path = strike(
        protocol, bench, specimen, out, seed=seed, trace=trace, quiet=quiet,
        unattended=unattended or quiet, resume=resume,
    )  # fmt: skip
    if quiet:
        told.print(f"{path}: recorded")
        return
    from rig.cli.analyse import analyse

    analyse(path if resume is None else resume)


def strike(
    protocol: str,
    bench: str,
    specimen: str,
    out: Path | None,
    *,
    seed: int | None = None,
    trace: Path | None = None,
    quiet: bool = False,
    unattended: bool = True,
    resume: Path | None = None,
) -> Path:
    """Prepare and run; give the run folder of a run that was completed.

    Raises
    ------
    BenchError
        Bad files, a bench that can't start, no room.
    typer.Exit
        The run was stopped by hand, or failed on a fault of the bench.
    """
    from rig.run_files import read_files

    files = read_files(protocol, bench, specimen)
    used = {one for stage in files.protocol.stages for one in stage.strikers}
    for doubt in calibration_doubts(files.bench, datetime.datetime.now(datetime.UTC).date(), used):
        told.print(f"note: {doubt}")
    return strike_files(
        files, out, seed=seed, trace=trace, quiet=quiet, unattended=unattended, resume=resume
    )


def strike_files(
    files: RunFiles,
    out: Path | None,
    *,
    seed: int | None = None,
    trace: Path | None = None,
    quiet: bool = False,
    unattended: bool = True,
    resume: Path | None = None,
) -> Path:
    """Prepare and run files that are read already; else as ``strike``."""
    from rig.cli.cautions import require_accepted
    from rig.cli.choosing import Chooser, must_choose
    from rig.cli.live import LiveLine
    from rig.link.trace import Trace
    from rig.preparation import prepare
    from rig.runner import FAULT_FILE
    from rig.runner import run as run_prepared

    resumed = None
    if resume is not None:
        resumed, seed = _resumed(files, resume, out, seed)
        out = resumed.path
    if out is None:
        stamp = datetime.datetime.now().strftime("%Y%m%d-%H%M%S")
        out = Path("runs") / f"{stamp}-{files.protocol.name.replace(' ', '-')}"
    prepared = prepare(files, seed=seed, out_folder=out.parent)
    chooser = Chooser(files) if must_choose(files) else None
    require_accepted(files.bench)
    stop = threading.Event()
    interactive = sys.stdin.isatty() and not unattended
    with (
        contextlib.ExitStack() as open_files,
        _stops_by_hand(stop),
        LiveLine(quiet=quiet) as line,
    ):
        stream = None
        if trace is not None:
            stream = open_files.enter_context(trace.open("w", encoding="utf-8"))
        result = run_prepared(
            prepared,
            out,
            progress=line.show,
            stop=stop,
            prompt=line.pause if interactive else None,
            trace=Trace(stream),
            next_burst=chooser,
            resumed=resumed,
        )
    if result.outcome == "stopped":
        told.print(f"{result.path}: stopped by hand; the coils are off, the record is closed")
        raise typer.Exit(ExitCode.STOPPED)
    if result.outcome == "failed":
        told.print(f"{result.path}: the run failed: {result.reason}")
        told.print(f"what the bench knew: {result.path / FAULT_FILE}")
        # where it isn't the board, it is the bench beside it: audio, disk, computer
        board = code_of(result.error) == ExitCode.BOARD
        raise typer.Exit(ExitCode.BOARD if board else ExitCode.INVALID)
    if result.reason:
        told.print(f"{result.path}: ended by a stop condition: {result.reason}")
    return result.path


def _resumed(
    files: RunFiles, resume: Path, out: Path | None, seed: int | None
) -> tuple[Resumed, int]:
    """Look at the run to go on with; give it and the seed of its plan."""
    from rig.resuming import resume as look_at

    if out is not None:
        raise BenchError(
            f"--out {out}: a run that is gone on with gets a part beside it; leave --out away"
        )
    resumed = look_at(
        resume,
        protocol_text=files.protocol_text,
        bench_text=files.bench_text,
        specimen_text=files.specimen_text,
    )
    if seed not in (None, resumed.seed):
        raise BenchError(
            f"--seed {seed}: the run was begun with seed {resumed.seed}; leave --seed away"
        )
    told.print(
        f"{resume}: going on in {resumed.path.name}, after {resumed.strokes} strokes and a gap of "
        f"{resumed.gap_s:.0f} s",
    )
    return resumed, resumed.seed


@contextlib.contextmanager
def _stops_by_hand(stop: threading.Event) -> Iterator[None]:
    """Turn Ctrl-C, a polite kill and a closed terminal into a request.

    The board is disarmed first; then the record is closed.
    """

    def ask(_number: int, _frame: object) -> None:
        stop.set()

    asks = [signal.SIGINT, signal.SIGTERM]
    if hasattr(signal, "SIGHUP"):
        asks.append(signal.SIGHUP)
    before = {number: signal.signal(number, ask) for number in asks}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
