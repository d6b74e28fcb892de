"""Frames, repeats, events, DIN and clock, as message table and ``rig/link/BOARD.md`` say them."""

from __future__ import annotations

import pytest
from lockstep_board import unpacked
from targets import MS, Target

from rig.link.frame import Frame, encode
from rig.link.messages import BY_TYPE, FORMATS, HARD_LIMITS, EventKind, Refusal, State, Trip


def request(name: str, seq: int, *values: int) -> Frame:
    """A request with a sequence number of one's own."""
    row = FORMATS[name]
    return Frame(seq, row.type_code, row.pack(*values))


def test_repeated_request_is_done_once(target: Target) -> None:
    """The same seq again: the same reply, byte for byte, and nothing is done twice."""
    target.make_armed()
    start = target.now + 200 * MS
    row = FORMATS["load"]
    frame = Frame(200, row.type_code, row.pack(records=[(start & 0xFFFFFFFF, 1000, 0)]))
    first, second = target.exchange(frame), target.exchange(frame)
    assert first == second
    assert target.standing()["queue_free"] == HARD_LIMITS["queue_length"] - 1


def test_repeated_poll_gives_the_same_events(target: Target) -> None:
    """A poll whose answer was lost is answered again with the same events and the same ticks."""
    target.make_ready()
    first = target.exchange(request("poll", 201, 0))
    target.run_s(0.05)
    assert target.exchange(request("poll", 201, 0)) == first


def test_seq_zero_is_always_new(target: Target) -> None:
    """Seq 0 begins anew: asked twice, it is done twice."""
    target.boot()
    first = target.exchange(request("clock", 0))
    second = target.exchange(request("clock", 0))
    assert first is not None
    assert second is not None
    assert first.seq == 0
    assert first.body != second.body


@pytest.mark.parametrize(
    "garbage",
    [
        b"\x00",
        b"\x00\x00\x00",
        b"\xff" * 40 + b"\x00",
        bytes(range(1, 200)) + b"\x00",
        b"\x55" * 900,
    ],
)
def test_board_finds_its_way_after_garbage(target: Target, garbage: bytes) -> None:
    """Whatever was on the line before, the next request after a zero is answered."""
    target.boot()
    target.send(garbage)
    target.run_s(0.02)
    target.send(b"\x00")
    target.run_s(0.002)
    assert target.ask("status").name == "standing"


def test_damaged_request_is_not_answered(target: Target) -> None:
    """One bit wrong: no answer and no effect; sent whole again, it is answered."""
    target.make_ready()
    good = encode(request("arm", 90, 1000))
    target.frames.clear()
    target.send(good[:4] + bytes([good[4] ^ 0x10]) + good[5:])
    target.run_s(0.02)
    assert target.frames == []
    assert target.state is State.READY


def test_frame_too_long_is_not_answered(target: Target) -> None:
    """More than 240 bytes in a frame are not a frame."""
    target.boot()
    target.frames.clear()
    target.send(b"\x02" + b"\x01\x02" * 150 + b"\x00")
    target.run_s(0.02)
    assert target.frames == []
    assert target.ask("status").name == "standing"


def test_board_never_speaks_unasked(target: Target) -> None:
    """Events alone make the board send nothing."""
    target.make_armed()
    target.frames.clear()
    target.input("guard", 0)
    target.run_s(0.1)
    assert target.frames == []


def test_replies_are_of_the_table(target: Target) -> None:
    """Each request is answered by the reply that the table names, or by done."""
    target.boot()
    for row in FORMATS.values():
        if row.reply and row.name not in ("agree", "load"):
            frame = target.exchange(Frame(5, row.type_code, bytes(row.layout.size)))
            assert frame is not None
            assert BY_TYPE[frame.type_code].name in (row.reply, "done")
            unpacked(frame)
            target.exchange(request("clock", 6))


def test_events_are_kept_until_acknowledged(target: Target) -> None:
    """Polled without acknowledging, the same events come again, with the same numbers."""
    target.make_ready()
    first = target.ask("poll", 0)
    again = target.ask("poll", 0)
    assert first.records == again.records
    assert first.fields["first_event"] == again.fields["first_event"] == 0
    assert len(first.records) >= 4
    rest = target.ask("poll", 2)
    assert rest.fields["first_event"] == 2
    assert rest.records == first.records[2:]
    # what was acknowledged is gone
    assert target.ask("poll", 0).fields["first_event"] == 2


def test_acknowledging_the_future_forgets_nothing(target: Target) -> None:
    """A number beyond the newest (a host that missed a reset) leaves all events."""
    target.make_ready()
    kept = target.ask("poll", 0).records
    assert target.ask("poll", 5000).records == kept
    assert target.standing()["next_event"] == len(kept)


def test_state_changes_are_events(target: Target) -> None:
    """Ready, armed, striking, armed: each change is stamped."""
    target.make_armed()
    start = target.now + 30 * MS
    target.begin_burst((start, 1000, 0))
    target.wait_s(0.1)
    states = [e.value for e in target.events if e.kind is EventKind.STATE]
    assert states == [State.READY, State.ARMED, State.STRIKING, State.ARMED]
    stamps = [e.ticks for e in target.events]
    assert stamps == sorted(stamps)


def test_din_bytes_come_with_their_start_bits(target: Target) -> None:
    """Bytes back to back on the DIN line: all there, stamped at their start bits within 5 us.

    320 us a byte at 31,250 baud: MIDI 1.0, hardware (IEC 63035:2017, 4.1).
    """
    target.boot()
    target.poll()
    data = bytes([0x99, 38, 101, 38, 0, 0xF8, 38, 55])
    first = target.din(data)
    events = [e for e in target.wait_s(0.05) if e.kind is EventKind.DIN_BYTE]
    assert bytes(e.value for e in events) == data
    for place, event in enumerate(events):
        assert abs(event.ticks - (first + place * 640)) <= 10


def test_full_ring_drops_and_counts(target: Target) -> None:
    """A ring that overflows in safe keeps the oldest events, numbers without a gap, and counts."""
    target.boot()
    target.poll()
    target.poll()  # an empty ring: what came is let go of
    for _ in range(4):
        target.din(bytes(range(128)))
        target.run_s(0.06)
    standing = target.standing()
    length = HARD_LIMITS["event_ring_length"]
    assert standing["dropped_events"] == 4 * 128 - length
    kept = [e for e in target.poll() if e.kind is EventKind.DIN_BYTE]
    assert bytes(e.value for e in kept) == bytes(range(128)) * 3


def test_full_ring_trips_an_armed_board(target: Target) -> None:
    """Armed, an event lost is a trip."""
    target.make_armed(host_silence_ms=2000)
    target.poll()
    for _ in range(4):
        target.din(bytes(range(128)))
        target.run_s(0.06)
    assert (target.state, target.trip) == (State.TRIPPED, Trip.EVENT_OVERFLOW)


def test_clock_reply_lies_within_its_exchange(target: Target) -> None:
    """Received before sent, both between the standing before and after."""
    target.boot()
    before = target.now
    fields = target.ask("clock").fields
    after = target.now
    assert before <= fields["received_ticks"] <= fields["sent_ticks"] <= after


def test_clock_counts_two_million_a_second(target: Target) -> None:
    """Half a microsecond a tick, against the target's own time (within a request's time)."""
    target.boot()
    before = target.ask("clock").fields["received_ticks"]
    target.run_s(1.0)
    after = target.ask("clock").fields["received_ticks"]
    assert abs(after - before - 2_000_000) < 2 * MS


def test_refusals_leave_the_state(target: Target) -> None:
    """A refused request says the state that the board stays in."""
    target.boot()
    reply = target.ask("arm", 100)
    assert reply.fields == {"refusal": Refusal.WRONG_STATE, "state": State.SAFE}
