"""The error of a record that could not be made or kept."""

from __future__ import annotations

from rig.record.bench_fault import BenchError


class RecordError(BenchError):
    """The run folder can't be made or written; what is recorded so far is kept."""
