"""Errors that a person sees: what was attempted and found, what is allowed, what to do next."""

from __future__ import annotations

from collections.abc import Sequence


class BenchError(Exception):
    """An error with a sentence for the person at the bench.

    Every error that may reach a person derives from this class; the command line prints it
    without a traceback.
    """


class UnfinishedRunError(BenchError):
    """A run that did not come to its end holds too little to be measured.

    Parameters
    ----------
    sentence
        What is the matter.
    failed
        Whether a fault of the bench ended it; else it was stopped or cut off.
    """

    def __init__(self, sentence: str, *, failed: bool) -> None:
        self.failed = failed
        super().__init__(sentence)


class BadFileError(BenchError):
    """All faults of one or more files, reported in one go.

    Parameters
    ----------
    faults
        One sentence a fault: file, line where known, key, what was found, what is allowed.
    """

    def __init__(self, faults: Sequence[str]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(self.faults))


COPY_AGAIN = "Copy the run again from where it was recorded, or from a backup"
"""Next step where something in a run folder has been changed or lost."""
