"""What the emulated controller does in a hang, in a reset, and when the host is silent."""

from __future__ import annotations

import pytest
from board_process import CYCLES_PER_TICK, CYCLES_PER_US, TICKS_PER_MS, BoardProcess
from safety_page import check_time

from rig.link.messages import EventKind, Refusal, State, Trip

POWER_ON, EXTERNAL, WATCHDOG = 1, 2, 8


def strike_once(board: BoardProcess, width_ticks: int) -> int:
    """Begin a burst of one pulse on each coil; cycle at which the first one starts."""
    start = board.now + 20 * TICKS_PER_MS
    board.load((start, width_ticks, 0), (start + 1000, width_ticks, 1), (start + 200_000, 100, 0))
    assert board.do("begin", 3) == Refusal.DONE
    return board.cycle_of(start)


@pytest.mark.parametrize("width_ticks", [2000, 12_000, 60_000])
@pytest.mark.parametrize("offset_us", [-400, -20, -2, 1, 30, 700])
def test_a_hang_does_not_prolong_a_pulse(
    avr_board: BoardProcess, width_ticks: int, offset_us: int
) -> None:
    """A program that hangs before or in a pulse: the hardware ends it, or the watchdog sooner."""
    avr_board.make_armed()
    start = strike_once(avr_board, width_ticks)
    avr_board.command(f"hang {start + offset_us * CYCLES_PER_US}")
    avr_board.run_ms(120)
    for coil in (0, 1):
        (pulse,) = avr_board.pulses(coil)
        assert pulse[1] <= width_ticks * CYCLES_PER_TICK
    cause, cycle = avr_board.resets[-1]
    assert cause == WATCHDOG
    check_time(Trip.PROGRAM_HANG, (cycle - start) / CYCLES_PER_US - offset_us)
    reply = avr_board.ask("hello")
    assert reply.fields["reset_cause"] == WATCHDOG
    status = avr_board.ask("status").fields
    assert (status["state"], status["trip_code"]) == (State.TRIPPED, Trip.PROGRAM_HANG)


@pytest.mark.parametrize("at_us", [-300, 0, 5, 900, 4000])
def test_a_reset_turns_coils_off_and_none_on(avr_board: BoardProcess, at_us: int) -> None:
    """A reset in a burst ends the pulses at once; nothing is struck after it; the trip says so."""
    avr_board.make_armed()
    start = strike_once(avr_board, 12_000)
    cycle = start + at_us * CYCLES_PER_US
    avr_board.command(f"reset {EXTERNAL} {cycle}")
    avr_board.run_ms(150)
    assert avr_board.resets[-1][0] == EXTERNAL
    after = avr_board.resets[-1][1]
    assert after - cycle < 10
    assert [edge for edge in avr_board.edges if edge.level and edge.cycle > after] == []
    assert all(first + width <= after + 2 for first, width in avr_board.pulses(0))
    status = avr_board.ask("status").fields
    assert (status["state"], status["trip_code"]) == (State.TRIPPED, Trip.RESET_IN_RUN)


@pytest.mark.parametrize("cause", [POWER_ON, EXTERNAL, 4, WATCHDOG])
def test_starts_safe(avr_board: BoardProcess, cause: int) -> None:
    """After a reset that was not in a run the board is safe, and no output has moved."""
    avr_board.boot()
    avr_board.command(f"reset {cause} {avr_board.cycle + 5000}")
    avr_board.run_ms(100)
    avr_board.boot()
    assert avr_board.state == State.SAFE
    assert avr_board.edges == []
    assert avr_board.ask("hello").fields["reset_cause"] == cause


def test_heat_survives_a_reset(avr_board: BoardProcess) -> None:
    """A hot coil is still hot after a reset in a run, and cold after a power-on."""
    avr_board.make_armed()
    strike_once(avr_board, 40_000)
    avr_board.run_ms(60)
    avr_board.command(f"reset {EXTERNAL} 0")
    avr_board.boot()
    assert 35_000 < avr_board.ask("status").fields["heat_a_ticks"] <= 40_000
    avr_board.command(f"reset {POWER_ON} 0")
    avr_board.boot()
    assert avr_board.ask("status").fields["heat_a_ticks"] == 0


def test_a_silent_host_stops_the_burst(avr_board: BoardProcess) -> None:
    """From the host's last frame to coils off: the agreed silence, and little more."""
    silence_ms = 100
    more_us = []
    for phase in range(12):
        avr_board.make_armed(host_silence_ms=silence_ms)
        avr_board.run_cycles(1337 * phase)
        start = avr_board.now + 20 * TICKS_PER_MS
        strikes = [(start + i * 30_000, 28_000, 0) for i in range(30)]
        strikes += [(at + 15_000, 28_000, 1) for at, _, _ in strikes]
        avr_board.load(*sorted(strikes))
        last = avr_board.cycle + 11 * 10 * CYCLES_PER_US  # its bytes, 10 us each
        assert avr_board.do("begin", len(strikes)) == Refusal.DONE
        avr_board.din(last + 70 * 1000 * CYCLES_PER_US, bytes(range(200)))
        avr_board.run_ms(300)
        off = max(edge.cycle for edge in avr_board.edges if edge.output < 2)
        more_us.append((off - last) / CYCLES_PER_US - silence_ms * 1000)
        trips = [event.value for event in avr_board.poll() if event.kind == EventKind.TRIP]
        assert trips == [Trip.HOST_SILENT]
        avr_board.command(f"reset {POWER_ON} 0")
        avr_board.edges.clear()
    print(
        f"host silent: {min(more_us) / 1000:.2f} to {max(more_us) / 1000:.2f} ms more than agreed"
    )
    assert min(more_us) > -500
    check_time(Trip.HOST_SILENT, max(more_us))
