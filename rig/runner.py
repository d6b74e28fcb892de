"""Runs what is prepared, and closes it so that the record says how it ended."""

from __future__ import annotations

import dataclasses
import json
import threading
from collections.abc import Callable
from pathlib import Path

import msgspec

from rig.board import Board
from rig.fault_bundle import fault_bundle
from rig.faults import FaultError
from rig.link.trace import Trace
from rig.preparation import Prepared
from rig.progress import Progress
from rig.readiness import Prompt, get_ready
from rig.record.bench_fault import BenchError
from rig.record.record_error import RecordError
from rig.record.run_folder import RunWriter, make_start
from rig.record.run_records import Outcome
from rig.resuming import Resumed
from rig.run_files import RunFiles
from rig.session import Session
from rig.so_far import NextBurst
from rig.watch import StoppedError

FAULT_FILE = "fault.json"
"""Written into the folder of a run that failed."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class RunResult:
    """How a run ended.

    Attributes
    ----------
    path
        The run folder.
    outcome, reason
        As in the stop record; of a complete run the reason is the stop condition that ended it.
    error
        What ended a failed run; None otherwise.
    progress
        The last state of things.
    """

    path: Path
    outcome: Outcome
    reason: str
    error: BenchError | None
    progress: Progress


def run(
    prepared: Prepared,
    out_path: Path | str,
    *,
    progress: Callable[[Progress], None] | None = None,
    stop: threading.Event | None = None,
    prompt: Prompt | None = None,
    trace: Trace | None = None,
    next_burst: NextBurst | None = None,
    resumed: Resumed | None = None,
) -> RunResult:
    """Run a plan and record it.

    Parameters
    ----------
    prepared
        From ``rig.preparation.prepare``.
    out_path
        The run folder to make; it must not exist.
    progress
        Told how things stand, a few times a second.
    stop
        Set it to stop: the board is disarmed first, and the run closed as stopped.
    prompt
        Shows a text and returns when the person has done what it says. None: unattended; prompts
        are passed over, and a board that tripped earlier is not reset.
    trace
        Told of every frame.
    next_burst
        For searches: given what is recorded so far, the number of the plan's next burst, or None to
        end. Without it all bursts are struck in order. Bursts that are never chosen stay unstruck.
    resumed
        The run that is gone on with; ``out_path`` is then that of its next part.

    Returns
    -------
    RunResult
        Also of a run that failed or was stopped, once its folder exists.

    Raises
    ------
    BenchError
        Nothing was struck and no folder made: port, board, interlocks, audio or disk.
    """
    files, path = prepared.files, Path(out_path)
    if path.exists():
        raise RecordError(
            f"{path}: can't start a run here, it exists. Runs are never overwritten: give another "
            "name, or move the old run away."
        )
    board = Board.open(files.bench.board, extra_query=_simulated_query(files), trace=trace)
    run_closed: Callable[[Path], None] | None = getattr(board.port, "run_closed", None)
    try:
        if resumed is not None:
            resumed.require_board(board.identity.as_dict())
        limits = get_ready(board, prepared.limits, prompt)
        session = Session(
            board=board,
            bench=files.bench,
            plan=prepared.plan,
            progress=progress,
            stop=stop or threading.Event(),
            prompt=prompt,
            next_burst=next_burst,
            ending=files.protocol.stop,
            done=resumed.struck if resumed is not None else frozenset(),
            strokes_done=resumed.strokes if resumed is not None else 0,
            status_before=files.specimen.module.status_before,
            recalled=resumed.recall() if resumed is not None and next_burst is not None else None,
        )
        session.open_sources()
        sources = [
            *(["board_din"] if files.bench.midi.board_din else []),
            *(["host"] if files.bench.midi.host_port else []),
            *(
                ["din_line"]
                if any(c.role == "din_line" for c in files.bench.audio.channels)
                else []
            ),
        ]
        start = make_start(
            files.protocol,
            files.bench,
            files.specimen,
            sources=sources,
            limits=limits,
            board=board.identity.as_dict(),
            port=board.port_name,
            seed=prepared.seed,
        )
        if resumed is not None:
            start = msgspec.structs.replace(
                start, part=resumed.part, continues=resumed.run_id, gap_s=resumed.gap_s
            )
        writer = RunWriter.create(
            path,
            start=start,
            plan=prepared.plan,
            protocol_text=files.protocol_text,
            bench_text=files.bench_text,
            specimen_text=files.specimen_text,
        )
        result = _record(session, writer)
        if run_closed is not None:
            run_closed(path)
        return result
    finally:
        board.close()


def _record(session: Session, writer: RunWriter) -> RunResult:
    """Let the session run and close the record, however it ends."""
    outcome: Outcome = "complete"
    reason, error = "", None
    try:
        with writer:
            try:
                reason = session.strike_all(writer)
            except (StoppedError, KeyboardInterrupt):
                session.stand_down()
                outcome, reason = "stopped", "stopped by hand"
            except Exception as fault:
                session.stand_down()
                _write_fault(session, writer.path, fault)
                if not isinstance(fault, BenchError):
                    raise
                outcome, reason, error = "failed", str(fault), fault
            writer.close(outcome, reason)
    finally:
        session.close_sources()
    return RunResult(
        path=writer.path,
        outcome=outcome,
        reason=reason,
        error=error,
        progress=session.standing(),
    )


def _write_fault(session: Session, path: Path, fault: Exception) -> None:
    bundle = fault_bundle(session.board, fault)
    bundle["where"] = dataclasses.asdict(session.standing())
    if not isinstance(fault, FaultError):
        bundle["code"] = type(fault).__name__
    try:
        (path / FAULT_FILE).write_text(json.dumps(bundle, indent=1) + "\n", encoding="utf-8")
    except OSError:
        # a full disk has its own reason in the stop record, for which room was kept
        (path / FAULT_FILE).unlink(missing_ok=True)


def _simulated_query(files: RunFiles) -> dict[str, str | float]:
    """What the files say to a simulated bench: pad, module, settings in force, the room."""
    specimen = files.specimen
    module = specimen.module
    query: dict[str, str | float] = {
        "position": specimen.pad.strike_position,
        "ambient_c": files.bench.ambient.temperature_c,
        "channel": module.midi_channel,
        "note": module.zones[0].note,
    }
    if len(module.zones) > 1:
        query["second_note"] = module.zones[1].note
    for name in module.settings.__struct_fields__:
        value = getattr(module.settings, name)
        if value is not None:
            query[f"set.{name}"] = value
    simulated = specimen.simulated
    if simulated is not None:
        query |= {"pad": simulated.pad, "module": simulated.module}
        if simulated.firmware:
            query["firmware"] = simulated.firmware
        if simulated.faults:
            query["fault"] = ",".join(simulated.faults)
    return query
