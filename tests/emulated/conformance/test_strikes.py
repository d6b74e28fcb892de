"""Loading, timing and heat of strikes, as ``rig/link/BOARD.md`` says them."""

from __future__ import annotations

import math

import pytest
from targets import MS, Target

from rig.link.messages import (
    BOARD_RULES,
    HARD_LIMITS,
    LONE_MARKER,
    MARKERS_US,
    EventKind,
    Refusal,
    State,
    Trip,
)

COIL_KINDS = (EventKind.COIL_ON, EventKind.COIL_OFF)


def test_pulses_and_their_events_are_as_loaded(target: Target) -> None:
    """Pulses start on their tick, as wide as asked, and are stamped so; then the board is armed."""
    target.make_armed()
    start = target.now + 60 * MS
    strikes = [(start + i * 37 * MS + i, 3000 + 1111 * i, i % 2) for i in range(10)]
    target.begin_burst(*strikes)
    events = target.wait_s(0.6)
    for coil in (0, 1):
        asked = [(at, width) for at, width, number in strikes if number == coil]
        for (on, width), (at, asked_width) in zip(target.pulses(coil), asked, strict=True):
            assert abs(on - at) <= 1
            assert abs(width - asked_width) <= 1
    told = [(e.kind, e.value, e.ticks) for e in events if e.kind in COIL_KINDS]
    wanted = [(EventKind.COIL_ON, coil, at) for at, _, coil in strikes]
    wanted += [(EventKind.COIL_OFF, coil, at + width) for at, width, coil in strikes]
    assert sorted(told, key=lambda e: e[2]) == sorted(wanted, key=lambda e: e[2])
    (end,) = [e.ticks for e in events if e.kind is EventKind.BURST_END]
    assert 0 <= end - (strikes[-1][0] + strikes[-1][1]) <= 2 * MS
    assert target.state is State.ARMED


def test_marker_goes_out_with_each_pulse(target: Target) -> None:
    """Markers begin with their coil's pulse; width tells the coil, 255 the marker alone."""
    target.make_armed()
    start = target.now + 60 * MS
    strikes = [(start, 9000, 0), (start + 60 * MS, 9000, 1), (start + 120 * MS, 1, LONE_MARKER)]
    target.begin_burst(*strikes)
    events = target.wait_s(0.3)
    widths = [MARKERS_US[name] * 2 for name in ("coil_0", "coil_1", "alone")]
    for (on, width), (at, _, _), asked in zip(target.markers(), strikes, widths, strict=True):
        assert abs(on - at) <= 1
        assert abs(width - asked) <= 1
    told = [(e.value, e.ticks) for e in events if e.kind is EventKind.MARKER]
    assert told == [(255, strikes[2][0])]


def test_two_coils_may_be_on_at_once(target: Target) -> None:
    """A flam 1 ms apart: both pulses whole."""
    target.make_armed()
    start = target.now + 60 * MS
    target.begin_burst((start, 12_000, 0), (start + MS, 12_000, 1))
    target.wait_s(0.15)
    for coil in (0, 1):
        ((_, width),) = target.pulses(coil)
        assert abs(width - 12_000) <= 1


@pytest.mark.parametrize(
    ("strike", "refusal"),
    [
        ((100 * MS, 0, 0), Refusal.BAD_BODY),
        ((100 * MS, 1000, 2), Refusal.NO_SUCH_COIL),
        ((100 * MS, 20_001, 0), Refusal.PULSE_TOO_LONG),
        ((-100 * MS, 1000, 0), Refusal.IN_THE_PAST),
        ((0, 1000, 0), Refusal.IN_THE_PAST),
        ((5100 * MS, 1000, 0), Refusal.TOO_FAR_AHEAD),
    ],
)
def test_strike_outside_limits_is_refused(
    target: Target, strike: tuple[int, int, int], refusal: Refusal
) -> None:
    """Width, coil, past and horizon: refused by name, and nothing is queued."""
    target.make_armed(coils=[(20_000, 20_000, 60_000, 30_000_000)] * 2, horizon_ms=5000)
    at, width, coil = strike
    assert target.load((target.now + at, width, coil)) is refusal
    assert target.standing()["queue_free"] == HARD_LIMITS["queue_length"]


def test_longest_pulse_itself_is_taken(target: Target) -> None:
    """The limits themselves are allowed: longest pulse, and nearly the whole horizon."""
    target.make_armed(coils=[(20_000, 20_000, 60_000, 30_000_000)] * 2, horizon_ms=5000)
    assert target.load((target.now + 4990 * MS, 20_000, 0)) is Refusal.DONE


def test_entries_before_a_refused_one_are_kept(target: Target) -> None:
    """A load is taken up to the entry that is refused, and says how many."""
    target.make_armed()
    start = target.now + 100 * MS
    reply = target.ask(
        "load", records=[(start, 1000, 0), (start + 50 * MS, 1000, 9), (start + 99 * MS, 1, 0)]
    )
    assert reply.fields == {
        "refusal": Refusal.NO_SUCH_COIL,
        "accepted": 1,
        "queue_free": HARD_LIMITS["queue_length"] - 1,
    }


def test_order_is_kept(target: Target) -> None:
    """A strike before the one queued last is out of order."""
    target.make_armed()
    start = target.now + 100 * MS
    assert target.load((start, 1000, 0), (start - 10 * MS, 1000, 1)) is Refusal.OUT_OF_ORDER


def test_gap_of_a_coil_is_kept(target: Target) -> None:
    """From start to start a coil rests its least gap; one tick less is refused."""
    target.make_armed(coils=[(20_000, 30_000, 60_000, 30_000_000)] * 2)
    start = target.now + 100 * MS
    assert target.load((start, 1000, 0), (start + 29_999, 1000, 0)) is Refusal.GAP_TOO_SHORT
    assert target.load((start + 30_000, 1000, 0)) is Refusal.DONE


def test_coil_rests_between_pulses(target: Target) -> None:
    """From a pulse's end to the next start it rests 1 ms, however short the least gap."""
    target.make_armed()
    start, rest = target.now + 100 * MS, BOARD_RULES["rest_ticks"]
    late = start + 50_000 + rest
    assert target.load((start, 50_000, 0), (late - 1, 1000, 0)) is Refusal.GAP_TOO_SHORT
    assert target.load((late, 1000, 0)) is Refusal.DONE


@pytest.mark.parametrize(("first", "name"), [(0, "coil_0"), (1, "coil_1"), (LONE_MARKER, "alone")])
def test_markers_stay_apart(target: Target, first: int, name: str) -> None:
    """The next marker begins no sooner than 100 us after the end of the one before."""
    target.make_armed()
    start = target.now + 100 * MS
    next_start = start + MARKERS_US[name] * 2 + BOARD_RULES["marker_rest_ticks"]
    other = 1 if first == 0 else 0
    assert target.load((start, 1000, first), (next_start - 1, 1000, other)) is Refusal.GAP_TOO_SHORT
    assert target.load((next_start, 1000, other)) is Refusal.DONE


def test_gap_is_remembered_over_bursts(target: Target) -> None:
    """The first strike of a burst keeps its distance to the last one of the burst before."""
    target.make_armed(coils=[(20_000, 400_000, 60_000, 30_000_000)] * 2)
    start = target.now + 50 * MS
    target.begin_burst((start, 1000, 0))
    target.wait_s(0.1)
    assert target.load((start + 390_000, 1000, 0)) is Refusal.GAP_TOO_SHORT
    assert target.load((start + 400_000, 1000, 0)) is Refusal.DONE


def test_dropped_strikes_are_forgotten(target: Target) -> None:
    """What was queued and dropped by disarm stands in no later strike's way."""
    target.make_armed()
    target.load((target.now + 3000 * MS, 1000, 0))
    target.do("disarm")
    assert target.do("arm", 10_000) is Refusal.DONE
    assert target.load((target.now + 100 * MS, 1000, 0)) is Refusal.DONE


def test_queue_is_finite(target: Target) -> None:
    """256 strikes are taken, the next is refused; once one is struck there is room for it."""
    target.make_armed()
    length = HARD_LIMITS["queue_length"]
    start = target.now + 300 * MS
    strikes = [(start + i * 10 * MS, 200, i % 2) for i in range(length + 1)]
    assert target.load(*strikes[:length]) is Refusal.DONE
    assert target.load(strikes[length]) is Refusal.QUEUE_FULL
    assert target.do("begin", length + 1) is Refusal.DONE
    target.wait_s((start - target.now) / 2e6 + 0.02)
    assert target.load(strikes[length]) is Refusal.DONE
    target.wait_s(2.7)
    assert target.state is State.ARMED
    assert len(target.pulses(0)) + len(target.pulses(1)) == length + 1


def test_burst_takes_no_more_strikes_than_announced(target: Target) -> None:
    """A strike beyond the burst's number is refused."""
    target.make_armed()
    start = target.now + 100 * MS
    target.begin_burst((start, 1000, 0), (start + 50 * MS, 1000, 0))
    assert target.load((start + 100 * MS, 1000, 0)) is Refusal.BAD_BODY


def test_queue_that_runs_dry_trips(target: Target) -> None:
    """A burst whose next strike is not there at the end of a pulse trips."""
    target.make_armed()
    target.begin_burst((target.now + 30 * MS, 1000, 0), count=2)
    target.wait_s(0.1)
    assert (target.state, target.trip) == (State.TRIPPED, Trip.QUEUE_DRY)
    assert len(target.pulses(0)) == 1


def test_late_begin_trips_and_strikes_nothing(target: Target) -> None:
    """A burst begun after its first strike's time: trip late, no pulse ever."""
    target.make_armed()
    start = target.now + 30 * MS
    target.load((start, 1000, 0), (start + 500 * MS, 1000, 0))
    target.wait_s(0.05)
    assert target.do("begin", 2) is Refusal.IN_THE_PAST
    assert (target.state, target.trip) == (State.TRIPPED, Trip.LATE)
    target.wait_s(0.6)
    assert target.pulses(0) == []


def leaked(heat: float, constant_ms: float, passed_ms: float) -> float:
    """Heat after a time: exponential decay, the closed form of a leaky integrator."""
    return heat * math.exp(-passed_ms / constant_ms)


def test_heat_rises_by_the_width_and_leaks(target: Target) -> None:
    """Heat gains each pulse's ticks and decays with its time constant (within 0.2 %)."""
    target.make_armed(coils=[(60_000, 10_000, 1000, 900_000)] * 2)
    start = target.now + 60 * MS
    target.begin_burst((start, 60_000, 0), (start + 100 * MS, 60_000, 0))
    target.wait_s(1.0)
    standing = target.standing()
    first = leaked(60_000, 1000, (standing["ticks"] - start) / MS)
    second = leaked(60_000, 1000, (standing["ticks"] - start) / MS - 100)
    assert standing["heat_a_ticks"] == pytest.approx(first + second, rel=2e-3, abs=2)
    assert standing["heat_b_ticks"] == 0


def test_heat_leaks_exactly_as_written(target: Target) -> None:
    """The integrator is the one of the page, to the tick: integer division, remainder carried."""
    constant_ms = 1500
    target.make_armed(coils=[(60_000, 10_000, constant_ms, 1_400_000)] * 2)
    start = target.now + 60 * MS
    start += MS // 2 - start % MS  # in the middle of a millisecond
    target.begin_burst((start, 54_321, 1))
    target.wait_s(0.7)
    standing = target.standing()
    heat, carry = 54_321, 0
    lowest = None
    passed = standing["ticks"] // MS - start // MS
    for step in range(passed + 1):
        if step == passed - 1:
            lowest = heat
        carry += heat
        heat -= carry // constant_ms
        carry %= constant_ms
    # the reading falls into a millisecond whose leak may or may not be done
    assert lowest is not None
    assert heat <= standing["heat_b_ticks"] <= lowest


def test_heat_budget_refuses_a_strike(target: Target) -> None:
    """Queued widths count: the strike that would lift the heat above the budget is refused."""
    target.make_armed(coils=[(60_000, 10_000, 60_000, 100_000)] * 2)
    start = target.now + 100 * MS
    assert target.load((start, 50_000, 0), (start + 100 * MS, 50_000, 0)) is Refusal.DONE
    assert target.load((start + 200 * MS, 1, 0)) is Refusal.HEAT_BUDGET
    assert target.load((start + 200 * MS, 50_000, 1)) is Refusal.DONE


def test_heat_is_kept_over_disarm_and_new_limits(target: Target) -> None:
    """Neither disarming nor agreeing again cools a coil."""
    target.make_armed(coils=[(60_000, 10_000, 60_000, 100_000)] * 2)
    start = target.now + 50 * MS
    target.begin_burst((start, 60_000, 0))
    target.wait_s(0.15)
    target.do("disarm")
    target.run_s(0.6)  # silence: ready becomes safe
    assert target.state is State.SAFE
    target.agree(coils=[(60_000, 10_000, 60_000, 100_000)] * 2)
    target.do("ready")
    target.do("arm", 5000)
    assert target.standing()["heat_a_ticks"] > 58_000
    assert target.load((target.now + 100 * MS, 50_000, 0)) is Refusal.HEAT_BUDGET


def test_coil_with_no_budget_never_strikes(target: Target) -> None:
    """A coil that no striker hangs on gets no pulse at all."""
    target.make_armed(coils=[(60_000, 10_000, 60_000, 1_000_000), (0, 10_000, 4_000_000, 0)])
    assert target.load((target.now + 100 * MS, 1, 1)) is Refusal.PULSE_TOO_LONG
