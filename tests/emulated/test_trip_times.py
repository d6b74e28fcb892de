"""From a trip's cause to the coils' lines low, on the emulated controller under load.

In each case coil 1 is in a long pulse, and the cause comes at many phases of it with the serial
line and the DIN line busy. What is measured is held against the safety page.
"""

from __future__ import annotations

from collections.abc import Callable

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

from rig.link import messages
from rig.link.frame import Frame, encode
from rig.link.messages import EventKind, Refusal, Trip

PHASES = 25
LONG_TICKS = 60_000
COIL_0 = (3000, 6000)
"""Start after coil 1's, and width, of the other coil's pulse where there is one."""

BYTE_CYCLES = 10 * CYCLES_PER_US
DIN_BYTE_CYCLES = 5120


def recover(board: BoardProcess, trip: Trip) -> None:
    """Everything closed again, and armed."""
    for name, level in (("supply", 24_000), ("current0", 2)):
        board.input(name, level)
    board.run_ms(60)
    assert [e.value for e in board.poll() if e.kind == EventKind.TRIP] == [trip]
    for name, values in (("reset_trip", ()), ("ready", ()), ("arm", (600_000,))):
        assert board.do(name, *values) == Refusal.DONE
    board.edges.clear()


def begin(board: BoardProcess, phase: int, *, both: bool, lacking: int = 0) -> tuple[int, int]:
    """Begin coil 1's long pulse, the lines busy; cycles of its start and of coil 0's end."""
    start = board.now + 20 * TICKS_PER_MS
    other = start + COIL_0[0] + 37 * phase
    strikes = [(start, LONG_TICKS, 1)] + [(other, COIL_0[1], 0)] * both
    assert board.load(*strikes) is Refusal.DONE
    assert board.do("begin", len(strikes) + lacking) == Refusal.DONE
    first = board.cycle_of(start)
    board.din(first - 1000 + 97 * phase, bytes(range(64)))
    board.run_cycles(first + 8000 - board.cycle)
    board.send(busy_line() * 3)
    board.seq = BUSY_SEQ + 6
    return first, board.cycle_of(other + COIL_0[1])


def supply(board: BoardProcess, phase: int) -> int:
    """The supply falls below its range."""
    first, _ = begin(board, phase, both=False)
    cause = first + 30_000 + 1337 * phase
    board.input("supply", 12_000, cause)
    return cause


def coil_on_unasked(board: BoardProcess, phase: int) -> int:
    """Current in a coil that no pulse explains."""
    first, _ = begin(board, phase, both=False)
    cause = first + 30_000 + 1337 * phase
    board.input("current0", 1, cause)
    return cause


def on_time(board: BoardProcess, phase: int) -> int:
    """Current that flows on after its pulse."""
    first, end = begin(board, phase, both=True)
    board.input("current0", 1, max(first + 8000 + 40_000, board.cycle + 1))
    return end


def coil_dead(board: BoardProcess, phase: int) -> int:
    """A pulse without current: known at its end."""
    board.input("current0", 0)
    return begin(board, phase, both=True)[1]


def queue_dry(board: BoardProcess, phase: int) -> int:
    """Nothing is queued at the end of a pulse, and the burst lacks some."""
    return begin(board, phase, both=True, lacking=1)[1]


CASES = [supply, coil_on_unasked, on_time, coil_dead, queue_dry]


@pytest.mark.parametrize("case", CASES, ids=[case.__name__ for case in CASES])
def test_time_to_coils_off(
    avr_board: BoardProcess, case: Callable[[BoardProcess, int], int]
) -> None:
    """From the cause to the last line low: as the safety page allows, and as it says."""
    trip = Trip[case.__name__.upper()]
    avr_board.make_armed()
    waits_us = []
    for phase in range(PHASES):
        cause = case(avr_board, phase)
        avr_board.run_ms(32)
        off = max(edge.cycle for edge in avr_board.edges if edge.output == 1 and not edge.level)
        ((_, width),) = avr_board.pulses(1)
        assert width < LONG_TICKS * CYCLES_PER_TICK, "the pulse ended by itself"
        waits_us.append((off - cause) / CYCLES_PER_US)
        recover(avr_board, trip)
    print(f"{case.__name__}: {min(waits_us):.0f} to {max(waits_us):.0f} us")
    assert min(waits_us) > 0
    check_time(trip, max(waits_us))


def cut_short(board: BoardProcess, whole_ticks: int) -> int | None:
    """Cycle at which a pulse ended before its time; None if none did."""
    for coil in (0, 1):
        for begun, width in board.pulses(coil):
            if width < whole_ticks * CYCLES_PER_TICK:
                return begun + width
    return None


@pytest.mark.parametrize("trip", [Trip.FRAME_FLOOD, Trip.CRC_FLOOD])
def test_time_from_the_frame_too_many(avr_board: BoardProcess, trip: Trip) -> None:
    """From the last byte of the frame that was one too many to the coils' lines low."""
    clock = messages.FORMATS["clock"].type_code
    waits_us = []
    for gap_us in (600, 617, 661, 703):
        avr_board.make_armed()
        start = avr_board.now + 20 * TICKS_PER_MS
        strikes = [(start + 30_000 * i, 50_000, i % 2) for i in range(60)]
        avr_board.load(*strikes)
        assert avr_board.do("begin", len(strikes)) == Refusal.DONE
        avr_board.run_ms(25)
        off = None
        number = 0
        while off is None:
            number += 1
            assert number < 2000, "no trip"
            good = encode(Frame(number % 250 + 1, clock))
            data = good if trip is Trip.FRAME_FLOOD else b"\x05nope\x00"
            ended = avr_board.cycle + len(data) * BYTE_CYCLES
            avr_board.send(data)
            avr_board.run_cycles(gap_us * CYCLES_PER_US)
            off = cut_short(avr_board, 50_000)
        avr_board.seq = 251
        avr_board.run_ms(5)
        assert avr_board.ask("status").fields["trip_code"] == trip
        waits_us.append((off - ended) / CYCLES_PER_US)
        avr_board.command("reset 1 0")
        avr_board.edges.clear()
    print(f"{trip.name}: {min(waits_us):.0f} to {max(waits_us):.0f} us")
    assert min(waits_us) > 0
    check_time(trip, max(waits_us))


def test_time_from_the_event_too_many(avr_board: BoardProcess) -> None:
    """From the end of the DIN byte for which the ring has no room to the coil's line low."""
    byte_s = 10 / 31_250
    waits_us = []
    for phase in range(6):
        avr_board.make_armed()
        kept = avr_board.ask("status").fields["next_event"]
        room = messages.HARD_LIMITS["event_ring_length"] - kept
        few = 8  # of the bytes come one by one in the pulse; two events are of pulse and state
        cycle = avr_board.cycle + 40_000
        avr_board.din(cycle, bytes(room - few - 2))
        avr_board.run_cycles(round((room * byte_s) * 16_000_000) + 60_000)
        start = avr_board.now + 20 * TICKS_PER_MS
        assert avr_board.load((start, LONG_TICKS, 1)) is Refusal.DONE
        assert avr_board.do("begin", 1) == Refusal.DONE
        first = avr_board.cycle_of(start)
        starts = [first + 3000 + 211 * phase + 40_000 * i for i in range(few + 3)]
        for at in starts:
            avr_board.din(at, b"\x55")
        avr_board.run_ms(70)
        assert avr_board.ask("status").fields["trip_code"] == Trip.EVENT_OVERFLOW
        off = cut_short(avr_board, LONG_TICKS)
        assert off is not None
        waits_us.append(min(off - at - DIN_BYTE_CYCLES for at in starts if at < off) / 16)
        avr_board.command("reset 1 0")
        avr_board.edges.clear()
    print(f"event_overflow: {min(waits_us):.0f} to {max(waits_us):.0f} us")
    assert min(waits_us) > -50
    check_time(Trip.EVENT_OVERFLOW, max(waits_us))
