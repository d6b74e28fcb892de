"""Checks every byte of a run folder that its records vouch for."""

from __future__ import annotations

from pathlib import Path

from rig.record.bench_fault import COPY_AGAIN, BadFileError
from rig.record.run_reader import RunReader, changed, missing
from rig.record.run_records import PLAN, sha256_of


def verify(path: Path | str) -> list[str]:
    """Check every checksum, size and count of a run; give one sentence a fault, all in one go."""
    try:
        run = RunReader.begun(path)
    except BadFileError as error:
        return list(error.faults)
    faults = run.check()
    unread = bool(faults)
    faults += run.faults
    streams = run.stop.streams if run.stop is not None else {}
    for name, stream in streams.items():
        file = run.path / name
        if not file.is_file():
            faults.append(missing(file))
        elif file.stat().st_size == stream.bytes and sha256_of(file) != stream.sha256:
            faults.append(changed(file))
    # what was changed need not be understood
    for parse in () if unread else ("protocol", "bench", "specimen", "plan"):
        try:
            getattr(run, parse)
        except BadFileError as error:
            faults += error.faults
            unread = True
    if not unread and run.stop is not None:
        rows, counted = len(run.plan.strikes), streams[PLAN].count if PLAN in streams else 0
        if rows not in (0, counted):
            faults.append(
                f"{run.path / PLAN}: {rows} rows found; the stop record counts {counted}. "
                f"{COPY_AGAIN}"
            )
    return list(dict.fromkeys(faults))
