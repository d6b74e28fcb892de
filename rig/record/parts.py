"""Parts of a run that was continued: RUN, RUN.part2, RUN.part3 …, each a run folder of its own."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from rig.record.bench_fault import BadFileError
from rig.record.run_reader import RunReader


def part_path(path: Path | str, number: int) -> Path:
    """Folder of a part; the first is the run itself."""
    folder = Path(path)
    return folder if number == 1 else folder.with_name(f"{folder.name}.part{number}")


def open_parts(path: Path | str) -> list[RunReader]:
    """Open a run and all its later parts, in order.

    Raises
    ------
    BadFileError
        One can't be read or trusted, or does not belong to the run.
    """
    parts = [RunReader.open(path)]
    if parts[0].start.part > 1:
        return parts  # looked at alone
    for number in itertools.count(2):
        folder = part_path(path, number)
        if not (folder / "start.json").exists():
            return parts
        part = RunReader.open(folder)
        if part.start.continues != parts[0].start.run_id or part.start.part != number:
            raise BadFileError(
                [
                    f"{folder}: is no part of {path} (it continues run "
                    f"{part.start.continues or 'none'}); move it away"
                ]
            )
        parts.append(part)
    raise AssertionError


def burst_owners(parts: Sequence[RunReader]) -> dict[int, int]:
    """Burst to the place of the part that counts for it: the last one that began it."""
    return {
        int(burst): place
        for place, part in enumerate(parts)
        for burst in part.events.loc[part.events["kind"] == "burst_begin", "value"]
    }


def bursts_struck(parts: Sequence[RunReader]) -> frozenset[int]:
    """Bursts that were struck whole: all their pulses told, and the burst's end."""
    struck: set[int] = set()
    for part in parts:
        events = part.events
        kind = events["kind"]
        marks = events[kind.isin(["burst_begin", "clock_pair"])]
        on = events.loc[kind == "coil_on", "strike"]
        planned = part.plan.strikes.groupby("burst")["strike"].agg(set).to_dict()
        made = set(on)
        struck |= {burst for burst in _ended(marks) if planned.get(burst, set()) <= made}
    return frozenset(struck)


def _ended(marks: pd.DataFrame) -> list[int]:
    """Bursts that were seen to their end: clocks are exchanged only after it."""
    ended, running = [], -1
    for kind, value in zip(marks["kind"], marks["value"], strict=True):
        if kind == "burst_begin":
            running = int(value)
        elif kind == "clock_pair" and running >= 0:
            ended.append(running)
            running = -1
    return ended
