"""Requests over a line that loses, delays and damages, against the simulated board."""

from __future__ import annotations

import io

import pytest

from rig.faults import LinkError
from rig.link.frame import Frame, encode
from rig.link.messages import FORMATS
from rig.link.request import Requester
from rig.link.trace import KEPT_FRAMES, Trace, line
from rig.link.transport import Port, clock_of, open_port


def requester(url: str, stream: io.StringIO | None = None) -> tuple[Requester, Port, Trace]:
    """A requester on a simulated board."""
    port = open_port(url)
    trace = Trace(stream)
    return Requester(port, clock_of(port), trace, url), port, trace


def test_answer_comes_with_the_times_around_it() -> None:
    """Sent, received and the board's stamp: 0.5 ms each way are in the round trip."""
    ask, _, _ = requester("sim://board?serial_delay_us=500&serial_jitter_us=0&board_start_s=0")
    reply = ask.request("clock", anew=True)
    # 8 bytes there and 23 back at 1 Mbaud, and the board's turn, lie between 1 and 2 ms
    assert 1.0e-3 < reply.received_s - reply.sent_s < 2.0e-3
    assert reply.sent_s < reply.fields["received_ticks"] / 2e6 < reply.received_s
    assert not reply.resent


def test_dead_board_is_given_up_with_what_to_check() -> None:
    """No answer at all: a few tries, then an error with port, tries and remedy."""
    ask, _, _ = requester("loop://")  # hears its own requests, and nothing else
    with pytest.raises(LinkError) as caught:
        ask.request("status", tries=2, answer_s=0.01)
    assert caught.value.code == "host.no_answer"
    assert "sent 2 times" in str(caught.value)


def test_late_answer_is_not_taken_for_the_next() -> None:
    """Each way takes longer than one time-out: late answers of another seq are passed over."""
    ask, _, trace = requester("sim://board?serial_delay_us=40000&serial_jitter_us=0")
    ask.request("hello", anew=True, answer_s=0.2)
    for _ in range(5):
        before = ask.request("clock", answer_s=0.03, tries=5)
        after = ask.request("clock", answer_s=0.03, tries=5)
        assert before.fields["received_ticks"] < after.fields["received_ticks"]
        assert before.resent
    assert any(" clock" in text for text in trace.last_lines())


@pytest.mark.parametrize("seed", range(3))
def test_bad_line_delays_but_never_lies(seed: int) -> None:
    """1 byte in 50 flipped, lost or doubled: every answer is right, and arming is done once."""
    ask, _, _ = requester(f"sim://board?seed={seed}&serial_error_rate=0.02")
    identity = ask.request("hello", anew=True, tries=30)
    clean, _, _ = requester("sim://board")
    assert identity.fields == clean.request("hello", anew=True).fields
    last = -1
    for _ in range(300):
        reply = ask.request("clock", tries=30)
        assert last < reply.fields["received_ticks"] <= reply.fields["sent_ticks"]
        last = reply.fields["sent_ticks"]
    assert ask.resent_count > 10
    assert ask.bad_count > 5


def test_a_port_gone_before_the_first_word_is_a_lost_link() -> None:
    """Emptying the input of a port that is gone is told as a lost link too."""
    ask, _, _ = requester("sim://board?unplug_at_s=0")
    with pytest.raises(LinkError) as caught:
        ask.forget_input()
    assert caught.value.code == "host.link_lost"


def test_unplugged_port_is_a_lost_link() -> None:
    """A port that goes away is told as such."""
    ask, port, _ = requester("sim://board?unplug_at_s=1")
    ask.request("hello", anew=True)
    clock_of(port).sleep_s(2.0)
    with pytest.raises(LinkError) as caught:
        ask.request("status")
    assert caught.value.code == "host.link_lost"


def test_trace_shows_both_ways_and_keeps_the_last() -> None:
    """Each frame is a line with direction, host time and decoded fields; 64 are kept."""
    stream = io.StringIO()
    ask, _, trace = requester("sim://board", stream)
    ask.request("hello", anew=True)
    for _ in range(100):
        ask.request("clock")
    lines = stream.getvalue().splitlines()
    assert len(lines) == 202
    assert " > " in lines[0]
    assert "hello" in lines[0]
    assert " < " in lines[1]
    assert "queue_length=256" in lines[1]
    assert trace.last_lines() == lines[-KEPT_FRAMES:]


def test_trace_of_the_unreadable_shows_bytes() -> None:
    """Unknown types and wrong lengths are shown as they are, never as something else."""
    assert "type 0x7e 616263" in line(">", 0.0, Frame(1, 0x7E, b"abc"))
    assert "unreadable 00" in line("<", 0.0, Frame(1, FORMATS["ticks"].type_code, b"\0"))
    unknown = FORMATS["done"].pack(200, 77)
    assert "refusal=200 state=77" in line("<", 0.0, Frame(1, FORMATS["done"].type_code, unknown))


def test_stray_bytes_before_an_answer_do_no_harm() -> None:
    """Boot messages of another program on the line are skipped."""
    port = open_port("loop://")
    trace = Trace()
    ask = Requester(port, clock_of(port), trace, "loop://")
    done = encode(Frame(1, FORMATS["done"].type_code, bytes((0, 1))))
    port.write(b"Booting v1.2\r\n\0" + done)
    reply = ask.request("ready")
    assert reply.fields == {"refusal": 0, "state": 1}
    assert ask.bad_count == 1
