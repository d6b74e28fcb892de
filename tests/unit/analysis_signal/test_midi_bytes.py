"""MIDI bytes against the arithmetic and rules of MIDI 1.0, and against mido as a peer."""

from __future__ import annotations

import mido
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.record.midi_bytes import BYTE_US, parse_notes

TICKS = 640.0  # 320 us in ticks of 0.5 us


def parse(text: str):
    """Notes of hexadecimal bytes that follow each other without a pause, stamped in us."""
    values = list(bytes.fromhex(text))
    return parse_notes(values, np.arange(len(values)) * BYTE_US, BYTE_US)


def test_byte_time_of_a_din_line():
    """10 bits at 31,250 baud are 320 us (MIDI 1.0, hardware; IEC 63035:2017, 4.1)."""
    assert pytest.approx(10 / 31_250 * 1e6) == BYTE_US


@pytest.mark.parametrize(("text", "wire_us"), [("99 26 64", [960]), ("99 26 64 26 40", [960, 640])])
def test_wire_time_of_a_note(text, wire_us):
    """Three bytes take 960 us, two under running status 640 us (arithmetic from the byte time)."""
    notes = parse(text)
    assert notes.wire_s * 1e6 == pytest.approx(wire_us)
    # no two notes of one line end nearer to each other
    assert np.diff(notes.end) == pytest.approx(wire_us[1:])


@pytest.mark.parametrize("count", [2, 10])
def test_wire_time_of_a_chord_under_running_status(count):
    """The n notes take 320 (2 n + 1) us from first start bit to last stop bit: 1.60 ms, 6.72 ms."""
    notes = parse("99" + "2640" * count)
    assert notes.end[-1] - notes.start[0] == pytest.approx(320 * (2 * count + 1))
    assert len(notes) == count


def test_stamps_of_a_note_are_those_of_its_first_and_last_byte():
    """The end is the last byte's start bit plus a byte's time."""
    notes = parse_notes([0x99, 38, 100], [1000, 1700, 2400], TICKS)
    assert (notes.start[0], notes.end[0]) == (1000, 2400 + 640)
    assert (notes.channel[0], notes.note[0], notes.velocity[0]) == (10, 38, 100)


def test_note_on_with_velocity_0_is_a_note_off():
    """From memory of MIDI 1.0: the effect of a note-off with velocity 64."""
    notes = parse("99 26 40 26 00 89 26 40")
    assert notes.on.tolist() == [True, False, False]


def test_real_time_bytes_inside_a_message_change_nothing():
    """F8 to FF may fall anywhere and leave running status in force (MIDI 1.0, from memory)."""
    notes = parse("99 F8 26 FE 40 FF 26 F8 41")
    assert notes.velocity.tolist() == [0x40, 0x41]
    assert notes.byte_count.tolist() == [3, 2]
    assert notes.orphans == 0


@pytest.mark.parametrize("common", ["F0 01 02 F7", "F1 01", "F2 01 02", "F3 01", "F6"])
def test_system_messages_end_running_status(common):
    """Data after a system-common or exclusive message are orphans (MIDI 1.0, from memory)."""
    notes = parse("99 26 40" + common + "26 41")
    assert notes.velocity.tolist() == [0x40]
    assert notes.orphans == 2


def test_sysex_is_skipped_and_counted_and_a_status_ends_it():
    """A status byte ends an exclusive message even without F7."""
    notes = parse("F0 7D 01 02 99 26 40")
    assert (len(notes), notes.sysex_bytes, notes.orphans) == (1, 4, 0)


def test_a_stream_that_begins_in_the_middle_of_a_message_is_told():
    """Bytes without a status are orphans; a message cut off at the end is said to be."""
    notes = parse("26 40 99 26 40 99 26")
    assert (len(notes), notes.orphans, notes.cut_short) == (1, 3, 1)


def test_nothing_gives_nothing_and_what_is_no_byte_is_refused():
    """Empty input gives no rows; values above 255 and unequal lengths are refused."""
    assert len(parse_notes([], [])) == 0
    with pytest.raises(ValueError, match="0 to 255"):
        parse_notes([256], [0])
    with pytest.raises(ValueError, match="stamps"):
        parse_notes([1, 2], [0])


@settings(derandomize=True, deadline=None)
@given(st.lists(st.integers(0, 255), max_size=60))
def test_any_bytes_give_the_notes_that_mido_finds(values):
    """Peer: mido's parser, fed whole messages' worth of hostile bytes."""
    parser = mido.Parser()
    parser.feed(values)
    theirs = [
        (m.channel + 1, m.note, m.velocity, m.type == "note_on" and m.velocity > 0)
        for m in parser
        if m.type in ("note_on", "note_off")
    ]
    ours = parse_notes(values, np.arange(len(values)))
    rows = list(
        zip(
            ours.channel.tolist(),
            ours.note.tolist(),
            ours.velocity.tolist(),
            ours.on.tolist(),
            strict=True,
        )
    )
    if any(value in (0xF0, 0xF4, 0xF5, 0xF7, 0xF9, 0xFD) for value in values):
        assert len(rows) <= len(values) // 2  # undefined bytes: each parser has its own way
    else:
        # mido knows no running status: what it finds is found, in its order
        remaining = iter(rows)
        assert all(note in remaining for note in theirs)
