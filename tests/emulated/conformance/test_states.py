"""States and refusals, as ``rig/link/BOARD.md`` says them: the contract is this project's own."""

from __future__ import annotations

import pytest
from lockstep_board import unpacked
from targets import MS, Target

from rig.link.frame import Frame
from rig.link.messages import FORMATS, HARD_LIMITS, Interlock, Refusal, State, Trip, table_hash


def test_identity_is_that_of_the_table(target: Target) -> None:
    """Hello gives the table's hash and the hard limits, and a power-on as cause."""
    target.boot()
    fields = target.ask("hello").fields
    assert fields["table_hash"] == table_hash()
    for name in ("longest_pulse_ticks", "least_gap_ticks", "heat_budget_ticks"):
        assert fields[f"hard_{name}"] == HARD_LIMITS[name]
    for name in ("armed_ms", "host_silence_ms", "horizon_ms"):
        assert fields[f"hard_{name}"] == HARD_LIMITS[name]
    assert fields["queue_length"] == HARD_LIMITS["queue_length"]
    assert fields["event_ring_length"] == HARD_LIMITS["event_ring_length"]
    assert fields["reset_cause"] & 1


def test_board_begins_safe_with_nothing_agreed(target: Target) -> None:
    """Power-up: safe, no trip, queue empty, ticks near zero, limits not agreed."""
    target.boot()
    standing = target.standing()
    assert standing["state"] == State.SAFE
    assert standing["trip_code"] == Trip.NONE
    assert standing["queue_free"] == HARD_LIMITS["queue_length"]
    assert standing["ticks"] < 500 * MS
    assert not standing["interlocks"] >> Interlock.LIMITS & 1


def test_interlocks_count_as_closed_after_their_debounce(target: Target) -> None:
    """Just powered up, contacts don't count; 50 ms later they do."""
    target.run_s(0.02)
    assert target.standing()["interlocks"] & 0b111 == 0
    target.run_s(0.05)
    assert target.standing()["interlocks"] & 0b111 == 0b111


def test_way_from_safe_to_armed_and_back(target: Target) -> None:
    """Safe, ready, armed, disarmed to ready: each by its request alone."""
    target.boot()
    target.agree()
    assert target.do("ready") is Refusal.DONE
    assert target.state is State.READY
    assert target.do("ready") is Refusal.DONE
    assert target.do("arm", 1000) is Refusal.DONE
    assert target.state is State.ARMED
    assert target.do("disarm") is Refusal.DONE
    assert target.state is State.READY


def test_ready_takes_agreed_limits(target: Target) -> None:
    """Without limits there is no ready."""
    target.boot()
    assert target.do("ready") is Refusal.LIMITS_NOT_AGREED
    assert target.state is State.SAFE


@pytest.mark.parametrize("interlock", ["estop", "guard"])
def test_ready_takes_closed_interlocks(target: Target, interlock: str) -> None:
    """An open e-stop loop or guard keeps the board safe, without a trip; closed, it goes on."""
    target.boot()
    target.input(interlock, 0)
    target.run_s(0.01)
    target.agree()
    assert target.do("ready") is Refusal.INTERLOCK_OPEN
    assert (target.state, target.trip) == (State.SAFE, Trip.NONE)
    target.input(interlock, 1)
    target.run_s(0.02)
    assert target.do("ready") is Refusal.INTERLOCK_OPEN
    target.run_s(0.1)
    assert target.do("ready") is Refusal.DONE


def test_ready_takes_a_supply_in_range(target: Target) -> None:
    """A supply outside the agreed range keeps the board safe."""
    target.boot()
    target.agree(supply_mv=(26_000, 28_000))
    target.run_s(0.05)
    assert target.do("ready") is Refusal.INTERLOCK_OPEN


@pytest.mark.parametrize(
    ("name", "values"),
    [("arm", (1000,)), ("begin", (1,)), ("reset_trip", ())],
)
def test_safe_refuses_what_belongs_to_other_states(
    target: Target, name: str, values: tuple[int, ...]
) -> None:
    """In safe there is nothing to arm, begin or reset."""
    target.boot()
    target.agree()
    assert target.do(name, *values) is Refusal.WRONG_STATE
    assert target.state is State.SAFE


def test_limits_are_agreed_in_safe_only(target: Target) -> None:
    """Ready and armed keep the limits that they were reached with."""
    target.make_ready()
    assert target.agree().fields == {"refusal": Refusal.WRONG_STATE, "state": State.READY}
    assert target.do("arm", 1000) is Refusal.DONE
    assert target.agree().fields["refusal"] == Refusal.WRONG_STATE


def test_loading_takes_an_armed_board(target: Target) -> None:
    """In ready no strike is queued."""
    target.make_ready()
    assert target.load((target.now + 100 * MS, 1000, 0)) is Refusal.WRONG_STATE
    assert target.standing()["queue_free"] == HARD_LIMITS["queue_length"]


def test_arming_for_no_time_is_refused(target: Target) -> None:
    """0 ms is no time to be armed for."""
    target.make_ready()
    assert target.do("arm", 0) is Refusal.BAD_BODY
    assert target.state is State.READY


def test_armed_time_runs_out(target: Target) -> None:
    """Armed ends by itself, without a trip, and its queue is emptied."""
    target.make_armed(300)
    target.load((target.now + 2000 * MS, 1000, 0))
    target.wait_s(0.2)
    assert target.state is State.ARMED
    target.wait_s(0.15)
    assert (target.state, target.trip) == (State.READY, Trip.NONE)
    assert target.standing()["queue_free"] == HARD_LIMITS["queue_length"]
    target.wait_s(2.0)
    assert target.pulses(0) == []


def test_armed_time_is_never_longer_than_agreed(target: Target) -> None:
    """Asked for more than was agreed, the board arms for what was agreed."""
    target.make_armed(60_000, armed_ms=200)
    target.wait_s(0.3)
    assert target.state is State.READY


def test_armed_time_can_be_renewed(target: Target) -> None:
    """Arm in armed counts from anew; so does it in striking."""
    target.make_armed(300)
    target.wait_s(0.2)
    assert target.do("arm", 300) is Refusal.DONE
    target.wait_s(0.2)
    assert target.state is State.ARMED
    start = target.now + 20 * MS
    target.begin_burst((start, 1000, 0), (start + 400 * MS, 1000, 0))
    target.wait_s(0.04)
    assert target.do("arm", 600) is Refusal.DONE
    target.wait_s(0.35)
    assert target.state is State.STRIKING


def test_armed_time_over_ends_a_burst(target: Target) -> None:
    """A burst that outlives the armed time is dropped: no later strike."""
    target.make_armed(200)
    start = target.now + 50 * MS
    target.begin_burst((start, 1000, 0), (start + 300 * MS, 1000, 0))
    target.wait_s(0.6)
    assert (target.state, target.trip) == (State.READY, Trip.NONE)
    assert len(target.pulses(0)) == 1


def test_disarm_ends_a_pulse_at_once(target: Target) -> None:
    """Disarm in the middle of a pulse turns the coil off and drops the rest."""
    target.make_armed()
    start = target.now + 20 * MS
    target.begin_burst((start, 50_000, 0), (start + 100 * MS, 1000, 0))
    target.run_s(0.025)
    assert target.do("disarm") is Refusal.DONE
    assert target.state is State.READY
    target.wait_s(0.2)
    ((_, width),) = target.pulses(0)
    assert width < 40_000


def test_disarm_is_harmless_in_safe(target: Target) -> None:
    """Disarm where nothing is armed changes nothing."""
    target.boot()
    assert target.do("disarm") is Refusal.DONE
    assert target.state is State.SAFE


def test_begin_takes_loaded_strikes(target: Target) -> None:
    """No burst of nothing, and none of fewer strikes than are queued."""
    target.make_armed()
    assert target.do("begin", 1) is Refusal.NOTHING_LOADED
    start = target.now + 200 * MS
    target.load((start, 1000, 0), (start + 50 * MS, 1000, 1))
    assert target.do("begin", 1) is Refusal.BAD_BODY
    assert target.state is State.ARMED


def test_unknown_type_is_named(target: Target) -> None:
    """A type that the table doesn't have is answered, not ignored."""
    target.boot()
    frame = target.exchange(Frame(9, 0x7E, b"abc"))
    assert frame is not None
    assert unpacked(frame).fields["refusal"] == Refusal.UNKNOWN_TYPE


@pytest.mark.parametrize("name", [row.name for row in FORMATS.values() if row.reply])
def test_body_of_wrong_length_is_refused(target: Target, name: str) -> None:
    """One byte too many: bad_body, and nothing is done."""
    target.make_ready()
    row = FORMATS[name]
    frame = target.exchange(Frame(77, row.type_code, bytes(row.layout.size + 1)))
    assert frame is not None
    reply = unpacked(frame)
    assert reply.name == ("loaded" if name == "load" else "done")
    assert reply.fields["refusal"] == Refusal.BAD_BODY
    assert target.state is State.READY


def test_limits_for_another_number_of_coils_are_refused(target: Target) -> None:
    """Limits for one coil alone leave the other without: refused."""
    target.boot()
    reply = target.agree(coils=[(60_000, 10_000, 60_000, 1_000_000)])
    assert (reply.name, reply.fields.get("refusal")) == ("done", Refusal.BAD_BODY)


def test_limits_are_clamped(target: Target) -> None:
    """Asked for anything, the board keeps to its hard constants and says so."""
    target.boot()
    most = 0xFFFFFFFF
    reply = target.agree(
        coils=[(most, 0, 0, most), (100, most, 5000, most)],
        armed_ms=most,
        host_silence_ms=most,
        horizon_ms=most,
        supply_mv=(0, 0xFFFF),
    )
    hard = HARD_LIMITS
    per_ms, least_ms = hard["heat_ticks_per_time_constant_ms"], hard["heat_time_constant_least_ms"]
    assert reply.fields == {
        "armed_ms": hard["armed_ms"],
        "host_silence_ms": hard["host_silence_ms"],
        "horizon_ms": hard["horizon_ms"],
        "supply_least_mv": hard["supply_least_mv"],
        "supply_most_mv": hard["supply_most_mv"],
        "count": 2,
    }
    first = (hard["longest_pulse_ticks"], hard["least_gap_ticks"], least_ms, least_ms * per_ms)
    assert reply.records == [first, (100, most, 5000, 5000 * per_ms)]


def test_tighter_limits_are_kept_as_asked(target: Target) -> None:
    """What is tighter than the hard constants is echoed as it was asked."""
    target.boot()
    coil = (24_000, 90_000, 240_000, 20_000_000)
    reply = target.agree(coils=[coil, coil], armed_ms=5000, host_silence_ms=300, horizon_ms=9000)
    assert reply.records == [coil, coil]
    assert reply.fields["armed_ms"] == 5000
    assert reply.fields["host_silence_ms"] == 300
    assert reply.fields["horizon_ms"] == 9000
