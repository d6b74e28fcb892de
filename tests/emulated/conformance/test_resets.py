"""Resets and hangs, as ``rig/link/BOARD.md`` says them."""

from __future__ import annotations

from targets import MS, Target

from rig.link.messages import EventKind, Refusal, State, Trip


def test_reset_in_a_run_is_remembered(target: Target) -> None:
    """A reset while armed: coils off, tripped, the cause told; ticks and events begin anew."""
    target.make_armed()
    start = target.now + 20 * MS
    target.begin_burst((start, 50_000, 0), (start + 100 * MS, 1000, 0))
    target.run_s((start - target.now) / 2e6 + 0.01)
    target.reset()
    target.run_s(0.2)
    target.boot()
    assert (target.state, target.trip) == (State.TRIPPED, Trip.RESET_IN_RUN)
    assert target.ask("hello").fields["reset_cause"] & 2
    assert target.now < 1000 * MS
    assert any(e.kind is EventKind.TRIP for e in target.poll())
    target.run_s(0.3)
    assert len(target.pulses(0)) <= 1
    assert target.do("reset_trip") is Refusal.DONE
    assert target.do("ready") is Refusal.LIMITS_NOT_AGREED


def test_reset_in_safe_is_no_trip(target: Target) -> None:
    """A reset with nothing armed leads to safe."""
    target.boot()
    target.agree()
    target.reset()
    target.run_s(0.2)
    target.boot()
    assert (target.state, target.trip) == (State.SAFE, Trip.NONE)


def test_hang_in_a_run_ends_in_a_trip(target: Target) -> None:
    """A program that hangs: the pulse ends no later than programmed, the watchdog does the rest."""
    target.make_armed()
    start = target.now + 20 * MS
    target.begin_burst((start, 10_000, 0), (start + 300 * MS, 1000, 0))
    target.run_s((start - target.now) / 2e6 + 0.002)
    target.hang()
    target.run_s(0.3)
    target.boot()
    assert (target.state, target.trip) == (State.TRIPPED, Trip.PROGRAM_HANG)
    assert target.ask("hello").fields["reset_cause"] & 8


def test_heat_survives_a_reset(target: Target) -> None:
    """A reset does not cool a coil."""
    coils = [(60_000, 10_000, 60_000, 200_000)] * 2
    target.make_armed(coils=coils)
    start = target.now + 20 * MS
    target.begin_burst((start, 60_000, 0))
    target.wait_s(0.1)
    target.do("disarm")
    before = target.standing()["heat_a_ticks"]
    target.reset()
    target.run_s(2.0)
    target.boot()
    # until limits are agreed nobody has said how fast it cools
    after = target.standing()["heat_a_ticks"]
    assert before - 10 <= after <= before
    target.agree(coils=coils)
    target.run_s(1.0)
    assert target.standing()["heat_a_ticks"] < after
