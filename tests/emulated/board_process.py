"""A board as a process in lockstep: the core on this machine, or the emulated controller.

Both understand the same commands (see ``rig/firmware/host/console.h``), so one driver serves both.
Time moves by its commands alone.
"""

from __future__ import annotations

import dataclasses
import subprocess
from collections.abc import Sequence

from lockstep_board import LockstepBoard

from rig.link import messages
from rig.link.frame import Frame, FrameDecoder, encode

CYCLES_PER_TICK = 8
CYCLES_PER_US = 16
TICKS_PER_MS = 2000
TICKS_PER_S = 2_000_000
MARKER = 2
"""Output number of the marker in ``Edge``; coils are 0 and 1."""


@dataclasses.dataclass(frozen=True)
class Edge:
    """A change of a coil's (or the marker's) true level, in cycles since the process began."""

    output: int
    level: bool
    cycle: int


class BoardProcess(LockstepBoard):
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

    silence_ms = 2000

    def __init__(self, command: Sequence[str]) -> None:
        super().__init__()
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1 << 16
        )
        self._decoder = FrameDecoder()
        self.edges: list[Edge] = []
        self.resets: list[tuple[int, int]] = []
        self.overruns: list[tuple[int, int]] = []
        self.cycle = 0
        self.origin_cycle = 0

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

    def run_s(self, seconds: float) -> None:
        """Let time pass."""
        self.run_ticks(round(seconds * TICKS_PER_S))

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
