"""The firmware's core on this machine: what the conformance tests can't reach from outside.

Faults are put in beneath it: a loop held up, memory overwritten, an event lost. Times here are of
the model's, so nothing is said about the controller's timing.
"""

from __future__ import annotations

import itertools

import pytest
from board_process import TICKS_PER_MS, BoardProcess

from rig.link import messages
from rig.link.frame import Frame
from rig.link.messages import LONE_MARKER, EventKind, Interlock, Refusal, State, Trip

MS = TICKS_PER_MS


def trips(board: BoardProcess) -> list[int]:
    """Codes of the trips so far."""
    board.poll()
    return [event.value for event in board.events if event.kind == EventKind.TRIP]


def begin(board: BoardProcess, *strikes: tuple[int, int, int], count: int = 0) -> int:
    """Load strikes, their starts from 20 ms ahead, and begin; ticks of their zero."""
    zero = board.now + 20 * MS
    entries = [(zero + start, width, coil) for start, width, coil in strikes]
    assert board.load(*entries) is Refusal.DONE
    assert board.do("begin", count or len(entries)) == Refusal.DONE
    return zero


def test_a_loop_held_up_trips_late(host_board: BoardProcess) -> None:
    """A strike that the loop comes too late to program is never struck: trip ``late``."""
    host_board.make_armed()
    begin(host_board, (0, 2000, 0), (40 * MS, 60_000, 1))
    host_board.run_ms(57)
    host_board.input("stall", 8)
    host_board.run_ms(60)
    assert trips(host_board) == [Trip.LATE]
    assert host_board.pulses(1) == []


def test_an_interlock_is_the_reason_before_lateness(host_board: BoardProcess) -> None:
    """A strike held back by an open interlock is not late: the interlock is the trip's reason."""
    host_board.make_armed()
    begin(host_board, (0, 2000, 0), (40 * MS, 60_000, 1))
    host_board.run_ms(57)
    host_board.input("stall", 8)
    host_board.input("guard", 0)
    host_board.input("guard", 1)
    host_board.run_ms(60)
    assert trips(host_board) == [Trip.GUARD_OPEN]


def test_heat_above_its_budget_is_never_struck(host_board: BoardProcess) -> None:
    """Heat overwritten after loading: trip before the pulse; reset only once it has cooled."""
    coil = (60_000, 10_000, 1000, 100_000)
    host_board.make_armed(coils=(coil, coil))
    zero = host_board.now + 60 * MS
    host_board.load((zero, 2000, 0))
    host_board.input("heat0", 400)
    assert host_board.do("begin", 1) == Refusal.DONE
    host_board.run_ms(100)
    assert trips(host_board) == [Trip.HEAT]
    assert host_board.edges == []
    assert host_board.do("reset_trip") == Refusal.CAUSE_REMAINS
    for _ in range(2):
        host_board.run_ms(900)
        host_board.standing()
    assert host_board.do("reset_trip") == Refusal.DONE
    assert host_board.state == State.SAFE


@pytest.mark.parametrize("time_constant_ms", [1000, 60_000, 2**31, 2**32 - 1])
def test_heat_leaks_as_defined(host_board: BoardProcess, time_constant_ms: int) -> None:
    """The integrator is the defined one to the tick, whatever the time constant."""
    coil = (60_000, 10_000, time_constant_ms, 30_000_000)
    host_board.boot()
    host_board.agree((coil, coil))
    host_board.input("heat0", 55_555)
    before = host_board.ask("status").fields
    heat, carry = before["heat_a_ticks"], None
    host_board.run_ms(400)
    after = host_board.ask("status").fields
    steps = after["ticks"] // MS - before["ticks"] // MS
    possible = set()
    # the carry of the moment is not told: any one is possible
    for carry in (0, time_constant_ms // 2, time_constant_ms - 1):
        left, rest = heat, carry
        for _ in range(steps):
            rest += left
            leak = rest // time_constant_ms
            left -= leak
            rest -= leak * time_constant_ms
        possible.add(left)
    assert min(possible) <= after["heat_a_ticks"] <= max(possible)


def test_a_shorter_time_constant_may_be_agreed(host_board: BoardProcess) -> None:
    """What was carried under a long time constant cools the coil to 0 and not below."""
    long, short = ((60_000, 10_000, tau, 30_000_000) for tau in (2**32 - 1, 1000))
    host_board.boot()
    host_board.agree((long, long))
    host_board.input("heat0", 50_000)
    host_board.run_ms(60)
    host_board.input("heat0", 1)
    host_board.agree((short, short))
    host_board.run_ms(5)
    assert host_board.ask("status").fields["heat_a_ticks"] == 0


def test_a_pulse_over_before_the_stop_was_whole(host_board: BoardProcess) -> None:
    """A pulse that ended while the loop was held up is reported whole when a stop follows."""
    host_board.make_armed()
    zero = begin(host_board, (0, 2 * MS, 0), (0 + 600, 20 * MS, 1), (100 * MS, 2000, 0))
    host_board.run_cycles(host_board.cycle_of(zero) - host_board.cycle - 4000)
    host_board.input("stall", 10)
    host_board.run_ms(6)
    host_board.input("estop", 0)
    host_board.run_ms(10)
    assert trips(host_board) == [Trip.ESTOP_OPEN]
    off = {e.value: e.ticks for e in host_board.events if e.kind == EventKind.COIL_OFF}
    assert off[0] == zero + 2 * MS
    assert off[1] < zero + 600 + 20 * MS
    assert len(host_board.pulses(0)) == len(host_board.pulses(1)) == 1


def test_disarmed_in_a_lone_marker(host_board: BoardProcess) -> None:
    """Disarming in a marker, before a programmed pulse: it is dropped, and not reported off."""
    host_board.make_armed()
    zero = begin(host_board, (0, 100, LONE_MARKER), (5 * MS, 4000, 0))
    host_board.run_cycles(host_board.cycle_of(zero) - host_board.cycle - 2000)
    assert host_board.do("disarm") == Refusal.DONE
    host_board.run_ms(40)
    host_board.poll()
    assert host_board.pulses(0) == []
    assert EventKind.COIL_OFF not in [event.kind for event in host_board.events]
    assert host_board.state == State.READY


def test_markers_and_coils_interleave(host_board: BoardProcess) -> None:
    """Pulses that overlap are reported in the order of their edges."""
    host_board.make_armed()
    begin(
        host_board,
        (0, 20_000, 0),
        (600, 6000, 1),
        (3000, 100, LONE_MARKER),
        (5000, 100, LONE_MARKER),
        (9000, 100, LONE_MARKER),
        (16_000, 9000, 1),
    )
    host_board.run_ms(60)
    host_board.poll()
    edges = [e.ticks for e in host_board.events if e.kind <= 2 or e.kind == EventKind.MARKER]
    assert len(edges) == 9
    assert all(a <= b for a, b in itertools.pairwise(edges))


def test_a_lost_event_trips(host_board: BoardProcess) -> None:
    """A stamped event lost beneath the core trips an armed board, and only that."""
    host_board.boot()
    host_board.input("lost", 1)
    host_board.run_ms(2)
    assert host_board.state == State.SAFE
    host_board.agree()
    assert host_board.do("ready") == Refusal.DONE
    assert host_board.do("arm", 1000) == Refusal.DONE
    host_board.input("lost", 1)
    host_board.run_ms(2)
    assert trips(host_board) == [Trip.EVENT_OVERFLOW]


def test_a_bridged_loop_is_refused(host_board: BoardProcess) -> None:
    """A loop that no switch could open is refused at ready."""
    host_board.boot()
    host_board.agree()
    host_board.input("bridge", 1)
    assert host_board.do("ready") == Refusal.INTERLOCK_OPEN
    host_board.input("bridge", 0)
    assert host_board.do("ready") == Refusal.DONE


def test_supply_too_high_is_out_of_range(host_board: BoardProcess) -> None:
    """Supply above the agreed range: the interlock opens, a ready board falls back to safe."""
    host_board.boot()
    host_board.agree(supply_mv=(20_000, 28_000))
    assert host_board.do("ready") == Refusal.DONE
    host_board.input("supply", 28_001)
    host_board.run_ms(12)
    status = host_board.ask("status").fields
    assert status["state"] == State.SAFE
    assert not status["interlocks"] & 1 << Interlock.SUPPLY


def test_bodies_of_the_wrong_length(host_board: BoardProcess) -> None:
    """Lengths and counts that disagree are refused, whatever the type."""
    host_board.boot()
    load = messages.FORMATS["load"].type_code
    agree = messages.FORMATS["agree"].type_code
    right = messages.FORMATS["agree"].pack(1, 1, 1, 1, 1, records=[(1, 1, 1, 1)] * 2)
    one = messages.FORMATS["agree"].pack(1, 1, 1, 1, 1, records=[(1, 1, 1, 1)])
    cases = [
        (load, b"", 0, Refusal.BAD_BODY),
        (load, b"\x02" + bytes(7), 0, Refusal.BAD_BODY),
        (load, b"\x00", 0, Refusal.WRONG_STATE),
        (agree, right[:16] + b"\x01" + right[17:], 0, Refusal.BAD_BODY),
        (agree, one, 0, Refusal.BAD_BODY),
        (0x00, b"", 0, Refusal.UNKNOWN_TYPE),
        (0x70, b"abc", 0, Refusal.UNKNOWN_TYPE),
    ]
    for seq, (type_code, body, place, refusal) in enumerate(cases, 50):
        reply = host_board.exchange(Frame(seq, type_code, body))
        assert reply is not None
        assert reply.body[place] == refusal


def test_an_empty_load_is_taken_when_armed(host_board: BoardProcess) -> None:
    """A load of nothing changes nothing and is no error in a state that loads."""
    host_board.make_armed()
    assert host_board.ask("load", records=[]).fields == {
        "refusal": 0,
        "accepted": 0,
        "queue_free": 256,
    }


def test_events_overflow_in_a_burst(host_board: BoardProcess) -> None:
    """A host that does not poll: the ring fills, the burst ends with a trip, drops are counted."""
    host_board.make_armed()
    begin(host_board, *[(i * 12_000, 3000, i % 2) for i in range(230)])
    for _ in range(10):
        host_board.run_ms(150)
        host_board.standing()
    status = host_board.ask("status").fields
    assert (status["state"], status["trip_code"]) == (State.TRIPPED, Trip.EVENT_OVERFLOW)
    assert status["dropped_events"] >= 3
    assert status["strikes_left"] == 0
    assert all(width == 3000 * 8 for coil in (0, 1) for _, width in host_board.pulses(coil)[:-1])


def test_current_that_stays_trips_on_time(host_board: BoardProcess) -> None:
    """Current that flows on after a pulse trips ``on_time``; reset only once it has gone."""
    host_board.make_armed()
    begin(host_board, (0, 6000, 0), (60 * MS, 2000, 1))
    host_board.run_ms(21)
    host_board.input("current0", 1)
    host_board.run_ms(20)
    assert trips(host_board) == [Trip.ON_TIME]
    assert host_board.do("reset_trip") == Refusal.CAUSE_REMAINS
    host_board.input("current0", 2)
    host_board.run_ms(55)
    assert host_board.do("reset_trip") == Refusal.DONE


@pytest.mark.parametrize("state", ["safe", "ready"])
def test_current_unasked_outside_a_run(host_board: BoardProcess, state: str) -> None:
    """Current in an idle coil keeps the board from ready, and trips a ready one."""
    host_board.boot()
    host_board.agree()
    if state == "ready":
        assert host_board.do("ready") == Refusal.DONE
    host_board.input("current1", 1)
    host_board.run_ms(2)
    if state == "safe":
        assert host_board.do("ready") == Refusal.INTERLOCK_OPEN
        assert trips(host_board) == []
    else:
        assert trips(host_board) == [Trip.COIL_ON_UNASKED]
