"""The event log keeps every event, in order, to its last bit."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.record.bench_fault import BadFileError
from rig.record.event_log import EVENT_KINDS, EventWriter, read_events

_EVENTS = st.lists(
    st.tuples(
        st.sampled_from(sorted(EVENT_KINDS)),
        st.sampled_from(["controller", "audio", "host"]),
        st.integers(-(2**63), 2**63 - 1) | st.floats(-1e12, 1e12),
        st.integers(-1, 2**40),
        st.text(),
    ),
    max_size=20,
)


@settings(deadline=None, max_examples=80)
@given(events=_EVENTS)
def test_what_is_written_is_read(tmp_path_factory, events):
    """Any event comes back as it was, and each line is JSON (Python's json as peer)."""
    path = tmp_path_factory.mktemp("log") / "events.jsonl"
    writer = EventWriter(path)
    for kind, clock, stamp, value, text in events:
        writer.append(kind, clock, stamp, value=value, text=text)
    writer.close()
    table, faults = read_events(path)
    assert faults == []
    assert writer.lines_written == len(table) == len(events)
    peer = [json.loads(line) for line in path.read_text("utf-8").split("\n")[:-1]]
    for row, (kind, clock, stamp, value, text) in enumerate(events):
        assert (table["kind"][row], table["clock"][row]) == (kind, clock)
        assert (table["value"][row], table["text"][row]) == (value, text)
        assert table["stamp"][row] == float(stamp)
        if isinstance(stamp, int):
            assert table["stamp_int"][row] == stamp
        assert peer[row]["n"] == row
        assert peer[row]["stamp"] == stamp


def test_numpy_scalars_are_numbers(tmp_path):
    """Stamps and strikes straight out of arrays are taken."""
    writer = EventWriter(tmp_path / "e")
    writer.append("coil_on", "controller", np.uint64(2**62 + 1), strike=np.int64(3))
    writer.append("midi_message", "audio", np.float64(2.5))
    writer.close()
    table, _ = read_events(tmp_path / "e")
    assert table["stamp_int"][0] == 2**62 + 1
    assert table["stamp"][1] == 2.5


@pytest.mark.parametrize(
    ("kind", "clock", "stamp"),
    [
        ("coil_off_", "controller", 1),
        ("coil_on", "wall", 1),
        ("coil_on", "audio", float("nan")),
        ("coil_on", "audio", float("inf")),
        ("coil_on", "controller", 2**63),
    ],
)
def test_no_such_event(tmp_path, kind, clock, stamp):
    """Unknown kinds and clocks, and stamps that are no numbers, are refused when written."""
    writer = EventWriter(tmp_path / "e")
    with pytest.raises(ValueError, match="no such event"):
        writer.append(kind, clock, stamp)
    writer.close()
    assert read_events(tmp_path / "e")[0].empty


def test_a_torn_last_line_is_left_out(tmp_path):
    """What a dying program left half written is told and left out; all before it is read."""
    line = '{"n":0,"kind":"note","clock":"host","stamp":1}\n'
    (tmp_path / "e").write_text(line + '{"n":1,"kind":"no')
    table, faults = read_events(tmp_path / "e")
    assert len(table) == 1
    assert "torn" in faults[0]


@pytest.mark.parametrize(
    "middle",
    [
        '{"n":1,"kind":"no',
        '{"n":2,"kind":"note","clock":"host","stamp":1}',
        '{"n":0,"kind":"note","clock":"host","stamp":1}',
        '{"n":1,"kind":"note","clock":"host","stamp":"soon"}',
        '{"n":1,"kind":"note","clock":"moon","stamp":1}',
        '{"n":1,"kind":"note","clock":"host","stamp":1,"colour":3}',
        '{"n":1,"kind":"note","clock":"host","stamp":99999999999999999999}',
        "\x00",
    ],
)
def test_a_torn_middle_is_refused(tmp_path, middle):
    """A line in the middle that is no event, out of count, or beyond 64 bits, is refused."""
    first = '{"n":0,"kind":"note","clock":"host","stamp":1}'
    last = '{"n":2,"kind":"note","clock":"host","stamp":1}'
    (tmp_path / "e").write_text(f"{first}\n{middle}\n{last}\n")
    with pytest.raises(BadFileError, match=r"line 2|beyond 64 bits"):
        read_events(tmp_path / "e")
