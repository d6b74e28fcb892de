"""The event log of a run: one JSON object a line, numbered from 0, only ever appended to."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Literal

import msgspec
import numpy as np
import pandas as pd

from rig.record.bench_fault import COPY_AGAIN, BadFileError
from rig.record.disk import BINARY

Clock = Literal["controller", "audio", "host"]

_BOARD_KINDS = {
    *("coil_on", "coil_off", "impact", "din_byte", "interlock", "state", "trip"),
    *("burst_end", "din_error", "marker"),
}
_HOST_KINDS = {"burst_begin", "midi_in", "audio_gap", "clock_pair", "note", "ended"}
_IMPORT_KINDS = {"midi_message", "onset_given"}
EVENT_KINDS = frozenset(_BOARD_KINDS | _HOST_KINDS | _IMPORT_KINDS)
_CLOCKS = ("controller", "audio", "host")
_PENDING_BYTES = 1 << 16


class Event(msgspec.Struct, kw_only=True, omit_defaults=True, forbid_unknown_fields=True):
    """One line. Fields that a kind does not use stand at -1 or ""."""

    n: int
    kind: str
    clock: Clock
    stamp: int | float
    value: int = -1
    strike: int = -1
    ticks: int = -1
    bound_ns: int = -1
    data: str = ""
    text: str = ""


class EventWriter:
    """Appends events; they reach the disk with ``flush`` or when 64 KiB wait.

    Raises
    ------
    OSError
        From any method that writes; whole lines that were written stay, ``lines_written`` of them.
    """

    def __init__(self, path: Path) -> None:
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | BINARY
        self._file = os.open(path, flags, 0o644)
        self._pending = bytearray()
        self._encoder = msgspec.json.Encoder()
        self._whole_bytes = 0
        self._next = 0
        self.lines_written = 0

    def append(
        self,
        kind: str,
        clock: Clock,
        stamp: float,
        *,
        value: int = -1,
        strike: int = -1,
        ticks: int = -1,
        bound_ns: int = -1,
        data: str = "",
        text: str = "",
    ) -> int:
        """Append one event and give its number. ValueError for what no reader could take."""
        if kind not in EVENT_KINDS or clock not in _CLOCKS or not -(2**63) <= stamp < 2**63:
            raise ValueError(f"no such event: kind {kind!r}, clock {clock!r}, stamp {stamp!r}")
        n = self._next
        event = Event(
            n=n,
            kind=kind,
            clock=clock,
            # numpy scalars come in from the hot paths; JSON knows only Python's own numbers
            stamp=int(stamp) if isinstance(stamp, int | np.integer) else float(stamp),
            value=int(value),
            strike=int(strike),
            ticks=int(ticks),
            bound_ns=int(bound_ns),
            data=data,
            text=text,
        )
        self._pending += self._encoder.encode(event)
        self._pending += b"\n"
        self._next = n + 1
        if len(self._pending) >= _PENDING_BYTES:
            self._write_pending()
        return n

    def flush(self) -> None:
        """Bring all events to the disk."""
        self._write_pending()
        os.fsync(self._file)

    def _write_pending(self) -> None:
        """Write what waits; on an error cut the file back to its last whole line."""
        written = 0
        try:
            while written < len(self._pending):
                written += os.write(self._file, memoryview(self._pending)[written:])
        except OSError:
            whole = self._pending.rfind(b"\n", 0, written) + 1
            os.ftruncate(self._file, self._whole_bytes + whole)
            self._keep(whole)
            raise
        self._keep(written)

    def _keep(self, whole: int) -> None:
        self.lines_written += self._pending.count(b"\n", 0, whole)
        self._whole_bytes += whole
        del self._pending[:whole]

    def close(self) -> None:
        """Flush and close; the file is closed even if flushing fails."""
        try:
            self.flush()
        finally:
            os.close(self._file)


def read_events(path: Path) -> tuple[pd.DataFrame, list[str]]:
    """Read an event log.

    Parameters
    ----------
    path
        File of JSON lines.

    Returns
    -------
    events
        Columns n, kind, clock, stamp (float64), stamp_int (int64: the stamp to its last bit
        where it is whole, as ticks and nanoseconds are; rounded where not), value, strike, ticks,
        bound_ns, data, text. An empty log gives no rows.
    faults
        A sentence if the last line is torn; that line is left out.

    Raises
    ------
    BadFileError
        A line before the last can't be read, or the numbers don't count 0, 1, 2 …
    """
    content = path.read_bytes()
    end = content.rfind(b"\n") + 1
    faults = []
    if end < len(content):
        faults.append(
            f"{path}: the last line is torn ({len(content) - end} bytes without a line end) "
            "and is left out"
        )
    try:
        events = msgspec.json.Decoder(Event).decode_lines(memoryview(content)[:end])
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise BadFileError([_first_bad_line(path, content[:end], error)]) from error
    try:
        table = _as_table(events)
    except OverflowError as error:
        raise BadFileError(
            [f"{path}: a number beyond 64 bits; the record can't be trusted. {COPY_AGAIN}"]
        ) from error
    wrong = np.flatnonzero(table["n"].to_numpy() != np.arange(len(table)))
    if len(wrong):
        row = int(wrong[0])
        raise BadFileError(
            [
                f"{path}, line {row + 1}: event number {table['n'].iloc[row]} found, {row} "
                "expected: lines are missing or out of order, so the record can't be trusted. "
                f"{COPY_AGAIN}"
            ]
        )
    return table, faults


def _first_bad_line(path: Path, content: bytes, error: Exception) -> str:
    decoder = msgspec.json.Decoder(Event)
    for number, line in enumerate(content.split(b"\n"), start=1):
        try:
            decoder.decode(line)
        except (msgspec.DecodeError, UnicodeDecodeError) as fault:
            return (
                f"{path}, line {number}: not an event ({fault}); the record can't be trusted. "
                f"{COPY_AGAIN}"
            )
    return f"{path}: not a log of events ({error}). {COPY_AGAIN}"


def _as_table(events: list[Event]) -> pd.DataFrame:
    stamps = [event.stamp for event in events]
    integers = np.array(
        [stamp if isinstance(stamp, int) else round(stamp) for stamp in stamps], dtype=np.int64
    )
    table: dict[str, np.ndarray | pd.Categorical | list[str]] = {
        "n": np.array([event.n for event in events], dtype=np.int64),
        "kind": [event.kind for event in events],
        "clock": [event.clock for event in events],
        "stamp": np.array(stamps, dtype=np.float64),
        "stamp_int": integers,
    }
    for name in ("value", "strike", "ticks", "bound_ns"):
        table[name] = np.array([getattr(event, name) for event in events], dtype=np.int64)
    table["data"] = [event.data for event in events]
    table["text"] = [event.text for event in events]
    return pd.DataFrame(table).astype({"kind": "str", "clock": "str", "data": "str", "text": "str"})
