"""The host's board over the simulated one: limits, states, events, faults and the fault bundle."""

from __future__ import annotations

import json
import re
from typing import Any

import msgspec
import pytest

from rig.board import Board
from rig.board_facts import BoardEvent, Entry
from rig.fault_bundle import fault_bundle
from rig.faults import LinkError, RefusedError, TrippedError
from rig.link import messages
from rig.link.messages import EventKind, Refusal, State, Trip
from rig.link.transport import merge_query
from rig.readiness import get_ready
from rig.record.bench_fault import BenchError
from rig.record.bench_file import BoardPort
from rig.record.limits import AgreedLimits, CoilLimits

MS = 2000
COIL = CoilLimits(
    longest_pulse_ticks=24_000,
    least_gap_ticks=80_000,
    heat_time_constant_ms=240_000,
    heat_budget_ticks=40_000_000,
)
LIMITS = AgreedLimits(
    coils=(COIL, COIL),
    armed_ms=60_000,
    host_silence_ms=500,
    horizon_ms=60_000,
    supply_least_mv=20_000,
    supply_most_mv=28_000,
)


def opened(query: str = "") -> Board:
    """A simulated board alone."""
    return Board.open(BoardPort(port=f"sim://board?{query}" if query else "sim://board"))


def armed(query: str = "") -> Board:
    """One that is armed."""
    board = opened(query)
    get_ready(board, LIMITS, None)
    board.arm(60_000)
    return board


def now_ticks(board: Board) -> int:
    """Ticks of the board, as the host sees them."""
    board.exchange_clock()
    return board.host_clock.ticks_at(board.clock.monotonic_s())


def watch(board: Board, seconds: float) -> list[BoardEvent]:
    """Poll for a while."""
    events = []
    for _ in range(round(seconds / 0.04)):
        board.clock.sleep_s(0.04)
        events += board.poll()
    return events


def test_opening_gives_identity_and_safe_state() -> None:
    """Hello: firmware, serial, hard limits; the board is safe."""
    board = opened()
    assert board.identity.table_hash == messages.table_hash()
    assert re.fullmatch(r"\d+\.\d+\.\d+", board.identity.firmware)
    assert board.identity.queue_length == messages.HARD_LIMITS["queue_length"]
    assert board.state is State.SAFE
    assert json.loads(json.dumps(board.identity.as_dict())) == board.identity.as_dict()


@pytest.mark.parametrize(("version", "side"), [(2, "this program"), (0, "firmware")])
def test_other_version_says_which_side_to_update(
    monkeypatch: pytest.MonkeyPatch, version: int, side: str
) -> None:
    """A board with another table version is not used; the older side is the one to update."""
    import rig.simulation.board_answers as answers

    monkeypatch.setattr(answers, "TABLE_VERSION", version)
    with pytest.raises(LinkError, match=side) as caught:
        opened()
    assert caught.value.code == "host.table_differs"


def test_other_table_of_the_same_version_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """Same version, another hash: the formats differ, so nothing is read from it."""
    import rig.simulation.board_answers as answers

    monkeypatch.setattr(answers, "table_hash", lambda: 0x1234)
    with pytest.raises(LinkError, match="1234"):
        opened()


def test_limits_are_echoed() -> None:
    """Limits within the hard ones come back as asked, for the coils that were asked for."""
    board = opened()
    assert board.agree(LIMITS) == LIMITS
    one = msgspec.structs.replace(LIMITS, coils=(COIL,))
    assert board.agree(one) == one


def test_limits_beyond_the_hard_ones_come_back_tighter() -> None:
    """A tighter echo is accepted and is what holds."""
    board = opened()
    wide = msgspec.structs.replace(LIMITS, armed_ms=10_000_000, host_silence_ms=60_000)
    echoed = board.agree(wide)
    assert echoed.armed_ms == messages.HARD_LIMITS["armed_ms"]
    assert echoed.host_silence_ms == messages.HARD_LIMITS["host_silence_ms"]


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("armed_ms", 60_001),
        ("host_silence_ms", 501),
        ("horizon_ms", 60_001),
        ("supply_least_mv", 19_999),
        ("supply_most_mv", 28_001),
        ("longest_pulse_ticks", 24_001),
        ("least_gap_ticks", 79_999),
        ("heat_time_constant_ms", 239_999),
        ("heat_budget_ticks", 40_000_001),
    ],
)
def test_looser_echo_stops_everything(
    monkeypatch: pytest.MonkeyPatch, field: str, value: int
) -> None:
    """A board that would enforce less than was asked for is not used; the figure is named."""
    import rig.simulation.board_twin as twin

    def loosened(asked: AgreedLimits) -> AgreedLimits:
        if field in COIL.__struct_fields__:
            changed = msgspec.structs.replace(asked.coils[1], **{field: value})
            return msgspec.structs.replace(asked, coils=(asked.coils[0], changed))
        return msgspec.structs.replace(asked, **{field: value})

    board = opened()
    monkeypatch.setattr(twin, "clamped", loosened)
    with pytest.raises(LinkError, match=field) as caught:
        board.agree(LIMITS)
    assert caught.value.code == "host.limits_loosened"
    assert board.limits is None


def test_more_strikers_than_coils_are_refused() -> None:
    """A bench with three strikers does not fit a board with two coils."""
    with pytest.raises(RefusedError, match="3 strikers"):
        opened().agree(msgspec.structs.replace(LIMITS, coils=(COIL,) * 3))


def test_all_open_interlocks_are_named_at_once() -> None:
    """E-stop, guard and supply: one error names all three, with the voltage."""
    board = opened("estop_pressed=1&guard_open=1&supply_mv=5000")
    with pytest.raises(RefusedError) as caught:
        get_ready(board, LIMITS, None)
    text = str(caught.value)
    assert caught.value.code == "refusal.interlock_open"
    for part in ("e-stop", "guard", "supply", "5000 mV"):
        assert part in text


def test_strikes_come_back_as_events_with_64_bit_stamps() -> None:
    """Stamps are those that were loaded, also where the board's low 32 bits turn over."""
    # 2^32 ticks are 2147.48 s: they turn over 2.5 s after the port is opened
    board = armed("board_start_s=-2145")
    start = now_ticks(board) + 200 * MS
    entries = [Entry(start + i * 300 * MS, 9000 + i, i % 2) for i in range(12)]
    assert start < 1 << 32 < entries[-1].start_ticks
    assert board.load(entries) == (12, Refusal.DONE)
    board.begin(12)
    events = watch(board, 4.0)
    on = [(e.ticks, e.value) for e in events if e.kind is EventKind.COIL_ON]
    off = [(e.ticks, e.value) for e in events if e.kind is EventKind.COIL_OFF]
    assert on == [(e.start_ticks, e.coil) for e in entries]
    assert off == [(e.start_ticks + e.width_ticks, e.coil) for e in entries]
    assert [e.number for e in events] == list(
        range(events[0].number, events[0].number + len(events))
    )
    assert board.state is State.ARMED


def test_long_load_goes_in_pieces_and_stops_at_the_full_queue() -> None:
    """More entries than one frame or the queue holds: as many as fit, and the reason."""
    board = armed()
    start = now_ticks(board) + 1000 * MS
    entries = [Entry(start + i * 100 * MS, 1000, i % 2) for i in range(300)]
    assert board.load(entries) == (256, Refusal.QUEUE_FULL)


@pytest.mark.parametrize(
    ("query", "trip"),
    [
        ("estop_at_s=3", Trip.ESTOP_OPEN),
        ("guard_at_s=3", Trip.GUARD_OPEN),
        ("supply_fails_at_s=3", Trip.SUPPLY),
        ("coil_stuck_at_s=3", Trip.COIL_ON_UNASKED),
        ("coil_dead_at_s=3", Trip.COIL_DEAD),
        ("timer_stuck_at_s=3", Trip.ON_TIME),
    ],
)
def test_trips_stop_the_strikes_and_name_themselves(query: str, trip: Trip) -> None:
    """Whatever opens or fails mid-burst: no coil on after it, and the error says what to do."""
    board = armed(query)
    start = now_ticks(board) + 100 * MS
    board.load([Entry(start + i * 50 * MS, 9000, i % 2) for i in range(200)])
    board.begin(200)
    events = watch(board, 5.0)
    assert (board.state, board.trip) == (State.TRIPPED, trip)
    at = next(e.ticks for e in events if e.kind is EventKind.TRIP)
    assert max(e.ticks for e in events if e.kind is EventKind.COIL_ON) <= at
    error = board.trip_error("Striking")
    assert isinstance(error, TrippedError)
    assert error.code == f"trip.{trip.name.lower()}"
    with pytest.raises(TrippedError):
        board.arm(1000)


def test_silent_host_trips() -> None:
    """A host that sleeps finds the board tripped."""
    board = armed()
    board.clock.sleep_s(1.0)
    board.poll()
    assert board.trip is Trip.HOST_SILENT
    board.reset_trip()
    assert board.state is State.SAFE


@pytest.mark.parametrize("query", ["reset_at_s=3", "hang_at_s=3"])
def test_board_reset_is_never_overlooked(query: str) -> None:
    """Ticks that go back are a lost board, not events of another time."""
    board = armed(query)
    with pytest.raises(LinkError) as caught:
        watch(board, 4.0)
    assert caught.value.code in ("host.board_reset", "host.no_answer")


def test_fault_bundle_tells_the_story() -> None:
    """As JSON: versions, limits, clock, last frames decoded, cause and remedy."""
    board = armed("estop_at_s=1")
    watch(board, 1.5)
    bundle = json.loads(json.dumps(fault_bundle(board, board.trip_error("Striking"))))
    assert bundle["code"] == "trip.estop_open"
    assert bundle["trip"] == "estop_open"
    assert bundle["limits"]["armed_ms"] == 60_000
    assert bundle["board"]["serial"] == board.identity.serial
    assert bundle["clock"]["exchanges"] >= 4
    assert bundle["clock"]["best_bound_us"] >= 300
    assert bundle["remedy"]
    (told,) = [text for text in bundle["last_frames"] if "trip:estop_open@" in text]
    assert "state=tripped trip_code=estop_open" in told
    assert "interlock:estop_open@" in told
    assert "state:tripped@" in told


@pytest.mark.parametrize(
    ("key", "nearest"),
    [("serial_eror_rate", "serial_error_rate"), ("estop_at", "estop_at_s"), ("sed", "seed")],
)
def test_unknown_key_names_the_nearest(key: str, nearest: str) -> None:
    """A misspelt key of the URL is an error, not a bench other than asked for."""
    with pytest.raises(BenchError, match=nearest):
        opened(f"{key}=1")


@pytest.mark.parametrize("query", ["supply_mv=much", "estop_at_s=nan", "serial_error_rate=2"])
def test_value_that_is_no_number_is_told(query: str) -> None:
    """Not a number, not finite, out of range: told by key."""
    with pytest.raises(BenchError, match=query.split("=")[0]):
        opened(query)


def test_query_is_merged_into_simulated_urls_alone() -> None:
    """What the URL says itself stands; a real port is left as it is."""
    extra: dict[str, Any] = {"seed": 9, "pad": "x y", "set.dead_time_ms": 12}
    merged = merge_query("sim://bench?seed=1", extra)
    assert merged == "sim://bench?seed=1&pad=x+y&set.dead_time_ms=12"
    assert merge_query("/dev/ttyACM0", extra) == "/dev/ttyACM0"


def test_closing_disarms() -> None:
    """Closing the port of an armed board disarms it first."""
    board = armed()
    twin = board.port.twin  # type: ignore[attr-defined]
    board.close()
    assert twin.state is State.READY
