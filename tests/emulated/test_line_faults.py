"""Faults between a host and the firmware over a real port: the truth is told, or that it isn't known.

The board is the firmware's core on this machine, and its image on the emulated controller.
"""

from __future__ import annotations

import contextlib
import os
import pty
import random
import select
import subprocess
import threading
import tty
from collections.abc import Iterator

import pytest
from free_board import LIMITS, MS, watch

from rig.board import Board
from rig.board_facts import Entry
from rig.faults import FaultError, LinkError, TrippedError
from rig.link.messages import EventKind, Refusal, State, Trip
from rig.readiness import get_ready
from rig.record.bench_file import BoardPort

STROKES = 80
ONE_IN = 1000
Running = tuple[str, "subprocess.Popen[str]"]


class Relay:
    """A cable between two pseudo-terminals that harms one byte in ``one_in``, and can be pulled."""

    def __init__(self, far: str, one_in: int, seed: int) -> None:
        self._far = os.open(far, os.O_RDWR | os.O_NOCTTY)
        self._near, self._end = pty.openpty()
        for end in (self._far, self._end):
            tty.setraw(end)
        self.name = os.ttyname(self._end)
        self._draw = random.Random(seed)
        self._one_in = one_in
        self._pulled = threading.Event()
        self.harmed = 0
        self._worker = threading.Thread(target=self._carry, daemon=True)
        self._worker.start()

    def _carry(self) -> None:
        ways = {self._far: self._near, self._near: self._far}
        held: list[tuple[int, bytes]] = []  # delayed until something else has come
        while not self._pulled.is_set():
            ready, _, _ = select.select(list(ways), [], [], 0.005)
            for end, late in held:
                os.write(end, late)
            held.clear()
            for source in ready:
                data = os.read(source, 4096)
                sent = bytearray()
                for place, byte in enumerate(data):
                    if self._draw.randrange(self._one_in):
                        sent.append(byte)
                        continue
                    self.harmed += 1
                    match self._draw.randrange(4):
                        case 0:
                            sent.append(byte ^ 1 << self._draw.randrange(8))
                        case 1:
                            pass
                        case 2:
                            sent += bytes([byte, byte])
                        case _:
                            held.append((ways[source], bytes(data[place:])))
                            break
                os.write(ways[source], bytes(sent))

    def pull(self) -> None:
        """Pull the cable."""
        self._pulled.set()
        self._worker.join()
        for end in (self._near, self._end, self._far):
            with contextlib.suppress(OSError):
                os.close(end)


@contextlib.contextmanager
def bad_cable(far: str, one_in: int = ONE_IN, seed: int = 1) -> Iterator[Relay]:
    """A cable; it is pulled at the end."""
    relay = Relay(far, one_in, seed)
    try:
        yield relay
    finally:
        if not relay._pulled.is_set():
            relay.pull()


def begin_burst(board: Board) -> list[Entry]:
    """A burst of 50 strokes a second."""
    get_ready(board, LIMITS, None)
    board.arm(20_000)
    for _ in range(4):
        board.exchange_clock()
    start = board.host_clock.ticks_at(board.clock.monotonic_s()) + 900 * MS
    entries = [Entry(start + i * 20 * MS, 6000 + i, i % 2) for i in range(STROKES)]
    assert board.load(entries) == (STROKES, Refusal.DONE)
    board.begin(STROKES)
    return entries


@pytest.mark.parametrize("seed", [1])
def test_harmed_bytes_give_the_truth_or_an_error(freely: Running, seed: int) -> None:
    """One byte in 1,000 flipped, lost, doubled or late, either way: all strikes told, or an error."""
    with bad_cable(freely[0], seed=seed) as cable:
        board = Board.open(BoardPort(port=cable.name))
        try:
            entries = begin_burst(board)
            events = watch(board, entries[-1].start_ticks + 40 * MS)
        except FaultError:
            return
        finally:
            board.close()
        made = {
            kind: [(ticks, coil) for found, coil, ticks in events if found is kind]
            for kind in (EventKind.COIL_ON, EventKind.COIL_OFF)
        }
        assert made[EventKind.COIL_ON] == [(e.start_ticks, e.coil) for e in entries]
        assert made[EventKind.COIL_OFF] == [
            (e.start_ticks + e.width_ticks, e.coil) for e in entries
        ]
        assert board.state is State.ARMED
        print(f"{cable.harmed} bytes harmed, {board.resent_requests} requests sent again")
        assert cable.harmed > 0


def test_pulled_cable_is_a_lost_link(freely: Running) -> None:
    """The cable is pulled in a burst: an error says so; the board, back again, tells why it stopped."""
    with bad_cable(freely[0], one_in=1 << 60) as cable:
        board = Board.open(BoardPort(port=cable.name))
        entries = begin_burst(board)
        watch(board, entries[20].start_ticks)
        cable.pull()
        with pytest.raises(LinkError):
            watch(board, entries[-1].start_ticks)
        with contextlib.suppress(OSError):
            board.close()
    with bad_cable(freely[0], one_in=1 << 60) as cable:
        board = Board.open(BoardPort(port=cable.name))
        try:
            board.clock.sleep_s(LIMITS.host_silence_ms / 1000 + 0.3)
            board.poll()
            assert (board.state, board.trip) == (State.TRIPPED, Trip.HOST_SILENT)
        finally:
            board.close()


def test_reset_in_a_burst_is_an_error(freely: Running) -> None:
    """The board is reset in a burst: the host never goes on as if nothing had been."""
    name, process = freely
    assert process.stdin is not None
    board = Board.open(BoardPort(port=name))
    try:
        entries = begin_burst(board)
        watch(board, entries[20].start_ticks)
        process.stdin.write("reset 2 0\n")
        process.stdin.flush()
        with pytest.raises((LinkError, TrippedError)) as caught:
            watch(board, entries[-1].start_ticks)
        assert caught.value.code in ("host.board_reset", "trip.reset_in_run")
    finally:
        board.close()
    again = Board.open(BoardPort(port=name))
    try:
        with pytest.raises(TrippedError, match="reset"):
            get_ready(again, LIMITS, None)
    finally:
        again.close()
