"""A board as a process in lockstep: the core on this machine, or the emulated controller.

Both understand the same commands (see ``rig/firmware/host/console.h``), so one driver serves both.
Time moves by ``run_ticks`` alone.
"""

from __future__ import annotations

import dataclasses
import subprocess
from collections.abc import Iterable, Sequence
from typing import Any

from rig.link import messages
from rig.link.frame import Frame, FrameDecoder, encode
from rig.link.messages import EventKind, Refusal, State

CYCLES_PER_TICK = 8
CYCLES_PER_US = 16
TICKS_PER_MS = 2000
BOOT_TICKS = 60 * TICKS_PER_MS
"""Until the interlocks count as closed."""

MARKER = 2
"""Output number of the marker in ``Edge``; coils are 0 and 1."""


@dataclasses.dataclass(frozen=True)
class Edge:
    """A change of a coil's (or the marker's) true level, in cycles since the process began."""

    output: int
    level: bool
    cycle: int


@dataclasses.dataclass(frozen=True)
class Reply:
    """A reply, unpacked."""

    name: str
    fields: dict[str, Any]
    records: list[tuple[Any, ...]]


@dataclasses.dataclass(frozen=True)
class Event:
    """An event of the board, its stamp in ticks of the board."""

    kind: EventKind
    value: int
    ticks: int


COOL = (60_000, 10_000, 60_000, 30_000_000)
"""Limits of a coil that gets in nobody's way: pulse, gap, time constant, budget."""


class BoardProcess:
    """Starts ``command`` and speaks to it.

    Attributes
    ----------
    edges, resets, overruns
        What the process reported: coil and marker edges, ``(cause, cycle)``, ``(uart, cycle)``.
    cycle
        Time of the process.
    origin_cycle
        Cycle of the board's tick 0, since its last reset.
    """

    def __init__(self, command: Sequence[str]) -> None:
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1 << 16
        )
        self._decoder = FrameDecoder()
        self.seq = 0
        self.frames: list[Frame] = []
        self.edges: list[Edge] = []
        self.resets: list[tuple[int, int]] = []
        self.overruns: list[tuple[int, int]] = []
        self.cycle = 0
        self.origin_cycle = 0
        self.events: list[Event] = []
        self._have_up_to = 0

    def close(self) -> None:
        """End the process."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.stdout.close()
        self._process.wait(timeout=10)

    def __enter__(self) -> BoardProcess:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def command(self, line: str) -> None:
        """Give one command and take in what it brought."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(line + "\n")
        self._process.stdin.flush()
        for answer in self._process.stdout:
            word, *rest = answer.split()
            if word == "at":
                self.cycle = int(rest[0])
                return
            if word in ("coil", "marker"):
                output, level, cycle = map(int, rest)
                self.edges.append(Edge(output, bool(level), cycle))
            elif word == "reset":
                self.resets.append((int(rest[0]), int(rest[2])))
            elif word == "origin":
                self.origin_cycle = int(rest[2])
            elif word == "overrun":
                self.overruns.append((int(rest[0]), int(rest[2])))
            elif word == "host":
                self.frames += self._decoder.feed(bytes.fromhex(rest[0]))
            else:
                raise AssertionError(answer)
        raise AssertionError(f"the process ended at {line!r}")

    def run_cycles(self, cycles: int) -> None:
        """Let time pass."""
        self.command(f"run {cycles}")

    def run_ticks(self, ticks: int) -> None:
        """Let time pass."""
        self.run_cycles(ticks * CYCLES_PER_TICK)

    def run_ms(self, milliseconds: float) -> None:
        """Let time pass."""
        self.run_ticks(round(milliseconds * TICKS_PER_MS))

    def send(self, data: bytes) -> None:
        """Put bytes on the line to the board."""
        if data:
            self.command(f"send {data.hex()}")

    def input(self, name: str, level: int, cycle: int = 0) -> None:
        """Change an input at a cycle; 0: now."""
        self.command(f"input {name} {level} {cycle}")

    def din(self, cycle: int, data: bytes) -> None:
        """Send bytes to the DIN input, back to back, the first start bit at ``cycle``."""
        self.command(f"din {cycle} {data.hex()}")

    def exchange(self, frame: Frame, within_ms: float = 50) -> Frame | None:
        """Send a frame and wait for a reply of its number; None if none comes."""
        self.frames.clear()
        self.send(encode(frame))
        waited_ms = 0.0
        while waited_ms < within_ms:
            self.run_ticks(400)
            waited_ms += 0.2
            for reply in self.frames:
                if reply.seq == frame.seq:
                    return reply
        return None

    def ask(self, name: str, *values: Any, records: Iterable[tuple[Any, ...]] = ()) -> Reply:
        """One request, packed by the table, and its reply, unpacked."""
        row = messages.FORMATS[name]
        body = row.pack(*values, records=list(records))
        self.seq = self.seq % 255 + 1
        frame = self.exchange(Frame(self.seq, row.type_code, body))
        assert frame is not None, f"no reply to {name}"
        reply = messages.BY_TYPE[frame.type_code]
        fields, reply_records = reply.unpack(frame.body)
        return Reply(reply.name, fields, reply_records)

    def do(self, name: str, *values: Any) -> Refusal:
        """One request that is answered by ``done``; its refusal."""
        reply = self.ask(name, *values)
        assert reply.name == "done", reply
        return Refusal(reply.fields["refusal"])

    @property
    def state(self) -> State:
        """State as the board says it."""
        return State(self.ask("status").fields["state"])

    def ticks(self) -> int:
        """Ticks of the board, as it says them."""
        return int(self.ask("status").fields["ticks"])

    def poll(self) -> list[Event]:
        """Fetch all events; those new since the last call."""
        fresh: list[Event] = []
        while True:
            reply = self.ask("poll", self._have_up_to)
            skip = self._have_up_to - reply.fields["first_event"]
            assert skip == 0, "the board gave other events than asked for"
            for kind, value, stamp in reply.records:
                fresh.append(Event(EventKind(kind), value, int.from_bytes(stamp, "little")))
            self._have_up_to = reply.fields["first_event"] + len(reply.records)
            if len(reply.records) < messages.FORMATS["events"].records_at_most:
                self.events += fresh
                return fresh

    def boot(self) -> None:
        """Wait until the interlocks count as closed, and say hello."""
        self.run_ticks(BOOT_TICKS)
        self.seq = 0
        self._have_up_to = 0
        assert self.ask("hello").name == "identity"

    def agree(
        self,
        coils: Sequence[tuple[int, int, int, int]] = (COOL, COOL),
        *,
        armed_ms: int = 600_000,
        host_silence_ms: int = 2000,
        supply_mv: tuple[int, int] = (20_000, 28_000),
    ) -> Reply:
        """Agree on limits."""
        return self.ask("agree", armed_ms, host_silence_ms, 60_000, *supply_mv, records=coils)

    def make_armed(self, **limits: Any) -> None:
        """From power-up to armed."""
        self.boot()
        self.agree(**limits)
        assert self.do("ready") == Refusal.DONE
        assert self.do("arm", 600_000) == Refusal.DONE

    def load(self, strikes: Sequence[tuple[int, int, int]]) -> Reply:
        """Load strikes (start, width, coil), in as many frames as they take; the last reply."""
        reply = None
        for at in range(0, len(strikes), 33):
            entries = [
                (start & 0xFFFFFFFF, width, coil) for start, width, coil in strikes[at : at + 33]
            ]
            reply = self.ask("load", records=entries)
            if reply.fields["refusal"]:
                break
        assert reply is not None
        return reply

    def cycle_of(self, ticks: int) -> int:
        """Cycle of a tick of the board."""
        return self.origin_cycle + ticks * CYCLES_PER_TICK

    def pulses(self, output: int) -> list[tuple[int, int]]:
        """Start and width of each whole pulse of an output so far, in cycles."""
        whole = []
        start = None
        for edge in self.edges:
            if edge.output == output:
                if edge.level:
                    start = edge.cycle
                elif start is not None:
                    whole.append((start, edge.cycle - start))
        return whole


BUSY_SEQ = 201
"""Number of the first request of ``busy_line``; its last is six more."""


def busy_line() -> bytes:
    """Requests that keep the board's serial line and its loop busy: a full load, and polls."""
    load = messages.FORMATS["load"].pack(records=[(0, 100, 0)] * 33)
    frames = [encode(Frame(BUSY_SEQ, messages.FORMATS["load"].type_code, load))]
    for seq in range(BUSY_SEQ + 1, BUSY_SEQ + 7):
        frames.append(encode(Frame(seq, messages.FORMATS["poll"].type_code, bytes(4))))
    return b"".join(frames)
