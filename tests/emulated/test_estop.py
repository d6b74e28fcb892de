"""From an interlock's edge to the coil's line low, on the emulated controller under load.

The emulator charges no cycles for interrupt entry (5), waking (4) and the input's synchroniser (2
to 3); the datasheet's figures, from memory, are added: 11 cycles.
"""

from __future__ import annotations

import pytest
from board_process import (
    BUSY_SEQ,
    CYCLES_PER_TICK,
    CYCLES_PER_US,
    TICKS_PER_MS,
    BoardProcess,
    busy_line,
)
from safety_page import check_time

from rig.link.messages import LONE_MARKER, EventKind, Refusal, State, Trip

UNCHARGED_CYCLES = 11
PULSE_TICKS = 20_000
PHASES = 300


def one_stop(board: BoardProcess, interlock: str, phase: int) -> int:
    """Open an interlock in the middle of a busy pulse; cycles to the coil's falling edge."""
    start = board.now + 20 * TICKS_PER_MS
    strikes = [(start, PULSE_TICKS, 0)]
    strikes += [(start + 1000 + 1900 * i, 100, LONE_MARKER) for i in range(12)]
    assert board.load(*strikes) is Refusal.DONE
    assert board.do("begin", len(strikes)) == Refusal.DONE
    begin = board.cycle_of(start)
    board.din(begin, bytes(range(32)))
    board.run_cycles(begin + 16_000 - board.cycle)
    board.send(busy_line())
    board.seq = BUSY_SEQ + 6
    opened = begin + 24_000 + phase * 211
    board.input(interlock, 0, opened)
    board.run_ms(12)
    fallen = [edge.cycle for edge in board.edges if edge.output == 0 and not edge.level][-1]
    assert fallen < begin + PULSE_TICKS * CYCLES_PER_TICK, "the pulse ended by itself"
    board.input(interlock, 1)
    return fallen - opened + UNCHARGED_CYCLES


@pytest.mark.parametrize(
    ("interlock", "trip"), [("estop", Trip.ESTOP_OPEN), ("guard", Trip.GUARD_OPEN)]
)
def test_interlock_ends_a_pulse(avr_board: BoardProcess, interlock: str, trip: Trip) -> None:
    """Whatever the board is at, an opening interlock ends a running pulse within 10 us."""
    avr_board.make_armed()
    waits = []
    for phase in range(PHASES if interlock == "estop" else PHASES // 5):
        waits.append(one_stop(avr_board, interlock, phase))
        avr_board.run_ms(52)
        events = avr_board.poll()
        assert [e.value for e in events if e.kind == EventKind.TRIP] == [trip]
        assert avr_board.do("reset_trip") == Refusal.DONE
        assert avr_board.do("ready") == Refusal.DONE
        assert avr_board.do("arm", 600_000) == Refusal.DONE
    worst_us = max(waits) / CYCLES_PER_US
    print(
        f"{interlock} open to coil low: {min(waits) / CYCLES_PER_US:.2f} to {worst_us:.2f} us "
        f"over {len(waits)} phases, {UNCHARGED_CYCLES} cycles that are not emulated included"
    )
    check_time(trip, worst_us)


def test_a_short_opening_trips(avr_board: BoardProcess) -> None:
    """An e-stop loop open for 2 us, closed again before the loop looks, still trips and is kept."""
    avr_board.make_armed()
    opened = avr_board.cycle + 1003
    avr_board.input("estop", 0, opened)
    avr_board.input("estop", 1, opened + 2 * CYCLES_PER_US)
    avr_board.run_ms(5)
    assert avr_board.state == State.TRIPPED
    assert avr_board.do("reset_trip") == Refusal.CAUSE_REMAINS
    avr_board.run_ms(55)
    assert avr_board.do("reset_trip") == Refusal.DONE


def test_nothing_strikes_after_a_stop(avr_board: BoardProcess) -> None:
    """With the loop closed again nothing is struck, nor by the reset of the trip."""
    avr_board.make_armed()
    start = avr_board.now + 20 * TICKS_PER_MS
    avr_board.load(*[(start + i * 20_000, 6000, i % 2) for i in range(20)])
    assert avr_board.do("begin", 20) == Refusal.DONE
    opened = avr_board.cycle_of(start) + 30_000
    avr_board.input("estop", 0, opened)
    avr_board.input("estop", 1, opened + 16_000)
    avr_board.run_ms(120)
    assert avr_board.do("reset_trip") == Refusal.DONE
    avr_board.run_ms(120)
    assert [edge.level for edge in avr_board.edges if edge.output < 2] == [True, False]
    assert avr_board.state == State.SAFE


def test_a_pulse_after_a_stop_is_whole(avr_board: BoardProcess) -> None:
    """After a stop in mid-pulse nothing of that pulse is left: the next one is exact."""
    avr_board.make_armed()
    for _ in range(2):
        start = avr_board.now + 20 * TICKS_PER_MS
        avr_board.load((start, 20_000, 0), (start + 1000, 20_000, 1))
        assert avr_board.do("begin", 2) == Refusal.DONE
        avr_board.input("estop", 0, avr_board.cycle_of(start) + 50_000)
        avr_board.run_ms(40)
        avr_board.input("estop", 1)
        avr_board.run_ms(60)
        for request, values in (("reset_trip", ()), ("ready", ()), ("arm", (600_000,))):
            assert avr_board.do(request, *values) == Refusal.DONE
    avr_board.edges.clear()
    start = avr_board.now + 30 * TICKS_PER_MS
    avr_board.load((start, 4000, 0), (start + 1000, 5000, 1))
    assert avr_board.do("begin", 2) == Refusal.DONE
    avr_board.run_ms(50)
    first = avr_board.cycle_of(start)
    assert avr_board.pulses(0) == [(first, 4000 * CYCLES_PER_TICK)]
    assert avr_board.pulses(1) == [(first + 1000 * CYCLES_PER_TICK, 5000 * CYCLES_PER_TICK)]


def test_bridged_loop_is_found(avr_board: BoardProcess) -> None:
    """A loop whose end is short to ground, so that no switch could open it, is refused at ready."""
    avr_board.boot()
    avr_board.agree()
    avr_board.input("bridge", 1)
    assert avr_board.do("ready") == Refusal.INTERLOCK_OPEN
    avr_board.input("bridge", 0)
    assert avr_board.do("ready") == Refusal.DONE
