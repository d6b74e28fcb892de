"""What the program tells the shell."""

from __future__ import annotations

import enum


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


OF_VERDICT: dict[str, ExitCode] = {
    "pass": ExitCode.DONE,
    "fail": ExitCode.FAIL,
    "undecided": ExitCode.UNDECIDED,
    "invalid": ExitCode.INVALID,
    "incomplete": ExitCode.INCOMPLETE,
}
