"""Interlocks, trips and floods, as ``rig/link/BOARD.md`` says them."""

from __future__ import annotations

import pytest
from targets import MS, Target

from rig.link.frame import Frame, encode
from rig.link.messages import BOARD_RULES, FORMATS, EventKind, Interlock, Refusal, State, Trip

OPENINGS = [
    ("estop", 0, Trip.ESTOP_OPEN, Interlock.ESTOP),
    ("guard", 0, Trip.GUARD_OPEN, Interlock.GUARD),
    ("supply", 12_000, Trip.SUPPLY, Interlock.SUPPLY),
    ("supply", 28_200, Trip.SUPPLY, Interlock.SUPPLY),
]
CLOSED = {"estop": 1, "guard": 1, "supply": 24_000}


@pytest.mark.parametrize(("name", "value", "trip", "bit"), OPENINGS)
def test_opening_interlock_trips_an_armed_board(
    target: Target, name: str, value: int, trip: Trip, bit: Interlock
) -> None:
    """Armed: an interlock that opens trips, and the events say which, in order."""
    target.make_armed()
    target.poll()
    target.input(name, value)
    events = target.wait_s(0.05)
    assert (target.state, target.trip) == (State.TRIPPED, trip)
    assert [(e.kind, e.value) for e in events] == [
        (EventKind.INTERLOCK, bit),
        (EventKind.TRIP, trip),
        (EventKind.STATE, State.TRIPPED),
    ]


@pytest.mark.parametrize(("name", "value", "trip", "bit"), OPENINGS)
def test_reset_takes_the_cause_gone(
    target: Target, name: str, value: int, trip: Trip, bit: Interlock
) -> None:
    """While the cause is there a trip can't be reset; gone, the reset leads to safe alone."""
    target.make_armed()
    target.input(name, value)
    target.wait_s(0.05)
    assert target.do("reset_trip") is Refusal.CAUSE_REMAINS
    target.input(name, CLOSED[name])
    target.wait_s(0.1)
    assert target.state is State.TRIPPED
    assert target.do("reset_trip") is Refusal.DONE
    assert (target.state, target.trip) == (State.SAFE, Trip.NONE)


def test_tripped_board_refuses_all_that_strikes(target: Target) -> None:
    """Tripped: ready, arm, load, begin, disarm and agree are refused by name."""
    target.make_armed()
    target.input("estop", 0)
    target.wait_s(0.01)
    target.input("estop", 1)
    target.wait_s(0.1)
    for name, values in [("ready", ()), ("arm", (1000,)), ("begin", (1,)), ("disarm", ())]:
        assert target.do(name, *values) is Refusal.WRONG_STATE
    assert target.load((target.now + 100 * MS, 1000, 0)) is Refusal.WRONG_STATE
    assert target.agree().fields["refusal"] == Refusal.WRONG_STATE
    assert target.state is State.TRIPPED


def test_first_reason_is_kept(target: Target) -> None:
    """A second cause does not hide the first."""
    target.make_armed()
    target.input("guard", 0)
    target.wait_s(0.02)
    target.input("estop", 0)
    target.wait_s(0.02)
    assert target.trip is Trip.GUARD_OPEN


@pytest.mark.parametrize("name", ["estop", "guard"])
def test_interlock_ends_a_running_pulse(target: Target, name: str) -> None:
    """In the middle of a pulse: coil off, its end told first, nothing struck after."""
    target.make_armed()
    start = target.now + 20 * MS
    target.begin_burst((start, 50_000, 0), (start + 5000, 50_000, 1), (start + 90 * MS, 1000, 0))
    target.run_s((start - target.now) / 2e6 + 0.01)
    target.poll()
    before = target.now
    target.input(name, 0)
    target.run_s(0.002)
    events = target.wait_s(0.3)
    assert [e.kind for e in events if e.kind is not EventKind.INTERLOCK] == [
        EventKind.COIL_OFF,
        EventKind.COIL_OFF,
        EventKind.TRIP,
        EventKind.STATE,
    ]
    for coil in (0, 1):
        ((on, width),) = target.pulses(coil)
        assert on + width - before < 2 * MS
        assert width < 40_000


def test_guard_opening_in_ready_does_not_trip(target: Target) -> None:
    """Ready: the guard is opened to change a pad; the board is safe, without a trip."""
    target.make_ready()
    target.input("guard", 0)
    target.wait_s(0.02)
    assert (target.state, target.trip) == (State.SAFE, Trip.NONE)


def test_estop_in_ready_trips(target: Target) -> None:
    """Ready: the e-stop latches all the same."""
    target.make_ready()
    target.input("estop", 0)
    target.wait_s(0.02)
    assert (target.state, target.trip) == (State.TRIPPED, Trip.ESTOP_OPEN)


def test_estop_in_safe_does_not_trip(target: Target) -> None:
    """Safe: nothing can move, so nothing trips."""
    target.boot()
    target.input("estop", 0)
    target.wait_s(0.1)
    assert (target.state, target.trip) == (State.SAFE, Trip.NONE)
    assert not target.standing()["interlocks"] >> Interlock.ESTOP & 1


def test_short_dip_of_the_supply_is_passed_over(target: Target) -> None:
    """A dip shorter than its debounce (a coil's inrush) trips nothing."""
    target.make_armed()
    target.input("supply", 12_000)
    target.run_s(0.004)
    target.input("supply", 24_000)
    target.wait_s(0.1)
    assert target.state is State.ARMED


def test_silent_host_trips_an_armed_board(target: Target) -> None:
    """Armed: 300 ms without a frame are too long where 300 were agreed; 250 are not."""
    target.make_armed(host_silence_ms=300)
    target.run_s(0.25)
    assert target.state is State.ARMED
    target.run_s(0.31)
    assert (target.state, target.trip) == (State.TRIPPED, Trip.HOST_SILENT)
    assert target.do("reset_trip") is Refusal.DONE


def test_silent_host_stops_a_burst(target: Target) -> None:
    """A host that dies in the middle of a burst: no strike after the agreed silence."""
    target.make_armed(host_silence_ms=300)
    start = target.now + 50 * MS
    target.begin_burst(*[(start + i * 100 * MS, 1000, i % 2) for i in range(20)])
    begun = target.now
    target.run_s(3.0)
    assert target.trip is Trip.HOST_SILENT
    last = max(on for coil in (0, 1) for on, _ in target.pulses(coil))
    assert last - begun < 310 * MS


def test_silent_host_in_ready_leads_to_safe(target: Target) -> None:
    """Ready: a silent host is no trip, but the board does not wait for it."""
    target.make_ready(host_silence_ms=300)
    target.run_s(0.4)
    assert (target.state, target.trip) == (State.SAFE, Trip.NONE)


def test_garbage_is_no_sign_of_life(target: Target) -> None:
    """Damaged frames don't count as a host that is alive."""
    target.make_armed(host_silence_ms=300)
    for _ in range(8):
        target.run_s(0.05)
        target.send(b"\x05garbage\x00")
    assert target.trip is Trip.HOST_SILENT


def test_current_in_an_idle_coil_trips(target: Target) -> None:
    """Current without a pulse: trip, and it can't be reset while it flows."""
    target.make_armed()
    target.input("current0", 1)
    target.wait_s(0.1)
    assert (target.state, target.trip) == (State.TRIPPED, Trip.COIL_ON_UNASKED)
    assert target.do("reset_trip") is Refusal.CAUSE_REMAINS


def test_current_in_an_idle_coil_keeps_the_board_safe(target: Target) -> None:
    """Current before anything was armed: no ready."""
    target.boot()
    target.input("current1", 1)
    target.wait_s(0.1)
    target.agree()
    assert target.do("ready") is Refusal.INTERLOCK_OPEN


@pytest.mark.parametrize("struck_next", [False, True])
def test_current_that_stays_trips_on_time(target: Target, struck_next: bool) -> None:
    """Current that flows on after its pulse: trip, no strike after, no reset while it flows."""
    target.make_armed()
    start = target.now + 30 * MS
    strikes = [(start, 6000, 0), (start + 60 * MS, 2000, 1)]
    target.begin_burst(*strikes[: 1 + struck_next])
    target.run_s((start - target.now) / 2e6 + 0.001)
    target.input("current0", 1)
    target.run_s(0.002 + 0.004)
    assert target.state is (State.STRIKING if struck_next else State.ARMED)
    target.run_s(0.003)
    assert (target.state, target.trip) == (State.TRIPPED, Trip.ON_TIME)
    target.wait_s(0.1)
    assert target.do("reset_trip") is Refusal.CAUSE_REMAINS
    target.input("current0", 2)
    target.wait_s(0.06)
    assert target.do("reset_trip") is Refusal.DONE
    assert len(target.pulses(0)) == 1
    assert target.pulses(1) == []


def test_heat_above_its_budget_is_never_struck(target: Target) -> None:
    """No request gets past the budget at loading: heat put into memory trips before the pulse."""
    coil = (60_000, 10_000, 1000, 100_000)
    target.make_armed(coils=[coil, coil])
    start = target.now + 60 * MS
    assert target.load((start, 2000, 0)) is Refusal.DONE
    target.input("heat0", 400)
    assert target.do("begin", 1) is Refusal.DONE
    target.wait_s(0.1)
    assert (target.state, target.trip) == (State.TRIPPED, Trip.HEAT)
    assert target.pulses(0) == []
    assert target.do("reset_trip") is Refusal.CAUSE_REMAINS
    target.wait_s(2.0)
    assert target.do("reset_trip") is Refusal.DONE
    assert (target.state, target.trip) == (State.SAFE, Trip.NONE)


def test_a_bridged_loop_is_refused(target: Target) -> None:
    """An e-stop loop that no switch could open, its end short to ground, is refused at ready."""
    target.boot()
    target.agree()
    target.input("bridge", 1)
    assert target.do("ready") is Refusal.INTERLOCK_OPEN
    target.input("bridge", 0)
    target.wait_s(0.06)
    assert target.do("ready") is Refusal.DONE


def test_coil_without_current_trips(target: Target) -> None:
    """A pulse that draws no current: trip coil_dead by its end."""
    target.make_armed()
    target.input("current0", 0)
    start = target.now + 50 * MS
    target.begin_burst((start, 12_000, 0), (start + 200 * MS, 12_000, 1))
    target.wait_s(0.15)
    assert (target.state, target.trip) == (State.TRIPPED, Trip.COIL_DEAD)
    target.wait_s(0.2)
    assert target.pulses(1) == []


def test_flood_of_damaged_frames_trips(target: Target) -> None:
    """More than 20 damaged frames in a second."""
    target.make_armed()
    for _ in range(3 * BOARD_RULES["crc_flood_per_s"]):
        target.send(b"\x05nope\x00")
        target.run_s(0.002)
    assert (target.state, target.trip) == (State.TRIPPED, Trip.CRC_FLOOD)


def test_some_damaged_frames_do_not_trip(target: Target) -> None:
    """A handful of damaged frames a second is passed over."""
    target.make_armed()
    for _ in range(10):
        target.send(b"\x05nope\x00")
        target.wait_s(0.1)
    assert target.state is State.ARMED


def test_flood_of_requests_trips(target: Target) -> None:
    """More than 500 good requests in a second, sent without a pause."""
    target.make_armed()
    row = FORMATS["clock"]
    for number in range(1300):
        target.send(encode(Frame(1 + number % 255, row.type_code)))
        target.run_s(0.001)
    assert (target.state, target.trip) == (State.TRIPPED, Trip.FRAME_FLOOD)
