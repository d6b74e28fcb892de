"""Goes on with a run that was stopped, failed or cut off, in a part of its own."""

from __future__ import annotations

import dataclasses
import datetime
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import msgspec

from rig.board_facts import BoardEvent
from rig.link.messages import EventKind
from rig.record.bench_fault import BenchError
from rig.record.bench_file import BenchFile
from rig.record.limits import TICKS_PER_S
from rig.record.loaders import parse_bench
from rig.record.parts import burst_owners, bursts_struck, open_parts, part_path
from rig.record.run_reader import RunReader
from rig.record.run_records import BENCH, EVENTS, PROTOCOL, SPECIMEN

_OF_PLACE = ("port",)
"""What may change of a board's identity: where it is plugged in."""
_APART_TICKS = 60 * TICKS_PER_S
"""Parts are placed so far apart that nothing of one is taken for an answer in the next."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Recalled:
    """What earlier parts of a run heard, for a search that goes on by it.

    Attributes
    ----------
    struck
        Bursts struck whole, in the order in which they were.
    events, strike_ticks
        As in ``rig.so_far.SoFar``. Each part had a clock of its own: their ticks are set below
        zero, part after part.
    """

    struck: tuple[int, ...] = ()
    events: Mapping[int, list[BoardEvent]] = dataclasses.field(default_factory=dict)
    strike_ticks: Mapping[int, int] = dataclasses.field(default_factory=dict)


@dataclasses.dataclass(frozen=True, kw_only=True)
class Resumed:
    """A run to go on with.

    Attributes
    ----------
    path
        Folder of the next part.
    run_id, part
        Of the run that it continues, and the part's number.
    struck
        Bursts that are done.
    strokes
        Strokes in them.
    seed
        Of the plan.
    gap_s
        Since the last part ended, as far as is known.
    board
        Identity of the board so far.
    parts
        The parts so far.
    """

    path: Path
    run_id: str
    part: int
    struck: frozenset[int]
    strokes: int
    seed: int
    gap_s: float
    board: Mapping[str, Any]
    parts: tuple[RunReader, ...]

    def recall(self) -> Recalled:
        """Read what the board told of the bursts that were struck whole."""
        owners = burst_owners(self.parts)
        order: list[int] = []
        events: dict[int, list[BoardEvent]] = {}
        strike_ticks: dict[int, int] = {}
        ceiling = 0
        for place, part in reversed(list(enumerate(self.parts))):
            own = {burst for burst in self.struck if owners.get(burst) == place}
            rows = part.events[part.events["clock"] == "controller"]
            if not len(rows):
                continue
            shift = ceiling - _APART_TICKS - int(rows["stamp_int"].max())
            ceiling = shift + int(rows["stamp_int"].min())
            begun: list[int] = []
            columns = (rows[name].tolist() for name in ("kind", "value", "stamp_int", "strike"))
            for number, (kind, value, stamp, strike) in enumerate(zip(*columns, strict=True)):
                if kind == "burst_begin":
                    begun.append(value)
                elif begun and begun[-1] in own and kind.upper() in EventKind.__members__:
                    event = BoardEvent(number, EventKind[kind.upper()], value, stamp + shift)
                    events.setdefault(begun[-1], []).append(event)
                    if event.kind is EventKind.COIL_ON:
                        strike_ticks[strike] = event.ticks
            order = [burst for burst in begun if burst in own] + order
        return Recalled(struck=tuple(order), events=events, strike_ticks=strike_ticks)

    def require_board(self, board: Mapping[str, Any]) -> None:
        """Raise BenchError with each thing about the board that is not as it was."""
        changed = [
            f"{name}: {self.board.get(name)!r} before, {board.get(name)!r} now"
            for name in sorted({*self.board, *board} - {*_OF_PLACE})
            if self.board.get(name) != board.get(name)
        ]
        if changed:
            raise BenchError(
                f"{self.path.name}: can't go on with this run, the board has changed: "
                f"{'; '.join(changed)}. Put the old one back, or start a new run"
            )


def resume(path: Path | str, *, protocol_text: str, bench_text: str, specimen_text: str) -> Resumed:
    """Look at a run and see whether it can be gone on with.

    Parameters
    ----------
    path
        Folder of the run, its first part.
    protocol_text, bench_text, specimen_text
        As given now; they must be those of the run.

    Raises
    ------
    BenchError
        It is complete, or one of the three has changed: each is named.
    """
    parts = open_parts(path)
    first, last = parts[0], parts[-1]
    if first.start.part > 1:
        raise BenchError(
            f"{path}: is part {first.start.part} of a run; name the run's first folder to go on "
            "with it"
        )
    if last.status == "complete":
        raise BenchError(f"{last.path}: the run is complete; there is nothing left to strike")
    changed = [
        *_changed(first, PROTOCOL, protocol_text, "protocol"),
        *_changed_bench(first, bench_text),
        *_changed(first, SPECIMEN, specimen_text, "specimen (pad, module, firmware or settings)"),
    ]
    if changed:
        raise BenchError(
            f"{path}: can't go on with this run: {'; '.join(changed)}. Give the files as they "
            "were, or start a new run"
        )
    struck = bursts_struck(parts)
    number = len(parts) + 1
    return Resumed(
        path=part_path(path, number),
        run_id=first.start.run_id,
        part=number,
        struck=struck,
        strokes=int(first.plan.strikes["burst"].isin(struck).sum()),
        seed=first.start.seed,
        gap_s=_since_s(last),
        board=first.start.board,
        parts=tuple(parts),
    )


def _changed(run: RunReader, name: str, text: str, called: str) -> list[str]:
    same = (run.path / name).read_bytes() == text.encode()
    return [] if same else [f"the {called} has changed"]


def _changed_bench(run: RunReader, text: str) -> list[str]:
    if not _changed(run, BENCH, text, ""):
        return []
    now = parse_bench(text, "bench file")
    found = [
        f"the calibration of striker {new.id!r} has changed"
        for old, new in zip(run.bench.strikers, now.strikers, strict=False)
        if old.id == new.id and old.calibration != new.calibration
    ]
    if _uncalibrated(run.bench) != _uncalibrated(now) or not found:
        found.insert(0, "the bench file has changed")
    return found


def _uncalibrated(bench: BenchFile) -> BenchFile:
    bare = tuple(msgspec.structs.replace(one, calibration=None) for one in bench.strikers)
    return msgspec.structs.replace(bench, strikers=bare)


def _since_s(run: RunReader) -> float:
    now = datetime.datetime.now(datetime.UTC)
    if run.stop is not None:
        ended = datetime.datetime.fromisoformat(run.stop.stopped_utc)
    else:
        seconds = (run.path / EVENTS).stat().st_mtime
        ended = datetime.datetime.fromtimestamp(seconds, datetime.UTC)
    return max(0.0, (now - ended).total_seconds())
