"""The host's own code over a serial device: pyserial on a pseudo-terminal, time running freely.

Behind it the firmware's core, or its image on the emulated controller. No time is measured here:
only that what was asked for happened, at the ticks that were asked for.
"""

from __future__ import annotations

import subprocess

import pytest
from free_board import LIMITS, MS, watch

from rig.board import Board
from rig.board_facts import Entry
from rig.faults import PortError
from rig.link.messages import EventKind, Refusal, State, Trip
from rig.readiness import get_ready
from rig.record.bench_file import BoardPort


def test_strikes_over_a_real_port(freely: tuple[str, subprocess.Popen[str]]) -> None:
    """Hello, limits, ready, arm, load, begin, poll: the strikes come back as they were loaded."""
    name, process = freely
    board = Board.open(BoardPort(port=name))
    try:
        assert board.identity.coil_count == 2
        assert get_ready(board, LIMITS, None) == LIMITS
        board.arm(20_000)
        board.exchange_clock()
        if process.args[0].endswith("strikebench_host"):
            # an emulated crystal stands still while this machine is busy
            assert board.host_clock.disagreement_s() == 0.0
        start = board.host_clock.ticks_at(board.clock.monotonic_s()) + 800 * MS
        entries = [Entry(start + i * 35 * MS, 6000 + i, i % 2) for i in range(20)]
        assert board.load(entries) == (20, Refusal.DONE)
        board.begin(20)
        events = watch(board, entries[-1].start_ticks + 20 * MS)
        events += watch(board, entries[-1].start_ticks + 40 * MS)
        on = [(ticks, coil) for kind, coil, ticks in events if kind is EventKind.COIL_ON]
        off = [(ticks, coil) for kind, coil, ticks in events if kind is EventKind.COIL_OFF]
        assert on == [(e.start_ticks, e.coil) for e in entries]
        assert off == [(e.start_ticks + e.width_ticks, e.coil) for e in entries]
        assert board.state is State.ARMED
        with pytest.raises(PortError, match="in use"):
            Board.open(BoardPort(port=name))
    finally:
        board.close()


def test_estop_over_a_real_port(freely: tuple[str, subprocess.Popen[str]]) -> None:
    """The e-stop opens in a burst: the host is told which trip, and no later strike came."""
    name, process = freely
    assert process.stdin is not None
    board = Board.open(BoardPort(port=name))
    try:
        get_ready(board, LIMITS, None)
        board.arm(20_000)
        board.exchange_clock()
        start = board.host_clock.ticks_at(board.clock.monotonic_s()) + 600 * MS
        entries = [Entry(start + i * 35 * MS, 6000, i % 2) for i in range(50)]
        board.load(entries)
        board.begin(50)
        events = watch(board, start + 200 * MS)
        process.stdin.write("input estop 0 0\n")
        process.stdin.flush()
        events += watch(board, entries[-1].start_ticks)
        assert board.trip is Trip.ESTOP_OPEN
        (at,) = [ticks for kind, _, ticks in events if kind is EventKind.TRIP]
        on = [ticks for kind, _, ticks in events if kind is EventKind.COIL_ON]
        assert 5 <= len(on) < 50
        assert max(on) <= at
    finally:
        board.close()
