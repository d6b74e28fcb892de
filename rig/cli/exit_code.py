"""What the program tells the shell."""

from __future__ import annotations

import enum

from rig.faults import FaultError, PortError
from rig.record.bench_fault import BenchError, UnfinishedRunError


class ExitCode(enum.IntEnum):
    """Exit codes of every command; README.md documents them."""

    DONE = 0
    FAIL = 1
    BAD_INPUT = 2
    UNDECIDED = 3
    INVALID = 4
    INCOMPLETE = 5
    BOARD = 6
    STOPPED = 130


def code_of(error: BenchError | None) -> ExitCode:
    """Exit code of an error: the board's, an unfinished run's, or bad input, file or usage."""
    if isinstance(error, UnfinishedRunError):
        return ExitCode.INVALID if error.failed else ExitCode.INCOMPLETE
    if isinstance(error, FaultError) and not isinstance(error, PortError):
        return ExitCode.BOARD
    return ExitCode.BAD_INPUT


OF_VERDICT: dict[str, ExitCode] = {
    "pass": ExitCode.DONE,
    "fail": ExitCode.FAIL,
    "undecided": ExitCode.UNDECIDED,
    "invalid": ExitCode.INVALID,
    "incomplete": ExitCode.INCOMPLETE,
}
