"""Standard MIDI files: odd ones are read for what they hold, or refused with a sentence."""

from __future__ import annotations

import contextlib
import io

import mido
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.capture.midi_file import BadMidiError, read_midi_file

END = "00 ff2f00"


def smf(*tracks: str, division: int = 480, kind: int = 0) -> bytes:
    """Content of a file, its tracks in hexadecimal digits."""
    content = b"MThd" + (6).to_bytes(4, "big") + kind.to_bytes(2, "big")
    content += len(tracks).to_bytes(2, "big") + division.to_bytes(2, "big")
    for track in tracks:
        data = bytes.fromhex(track)
        content += b"MTrk" + len(data).to_bytes(4, "big") + data
    return content


def test_real_time_bytes_in_a_message_lose_nothing() -> None:
    """They may stand anywhere on a wire, but not in a file: left out and counted.

    Source: MIDI 1.0 (real-time bytes inside messages, running status through them; from memory).
    """
    file = read_midi_file(smf("00 99 26 f8 40  60 f8  60 26 fe 50 " + END))
    assert file.data == (b"\x99\x26\x40", b"\x99\x26\x50")
    np.testing.assert_allclose(file.time_s, [0, 192 / 480 * 0.5])
    assert file.real_time == 3


@pytest.mark.parametrize(
    ("division", "tick_s"),
    [
        (0xE728, 1 / (25 * 40)),
        (0xE804, 1 / (24 * 4)),
        (0xE250, 1 / (30 * 80)),
        (0xE350, 1001 / (30_000 * 80)),
    ],
)
def test_ticks_of_a_time_code(division: int, tick_s: float) -> None:
    """The header may count ticks of SMPTE frames; then a tempo changes nothing.

    Source: standard MIDI file, division with bit 15 set (from memory); 29 is 30000/1001.
    """
    file = read_midi_file(smf("00 ff5103 0f4240  60 99 26 40  60 26 50 " + END, division=division))
    np.testing.assert_allclose(file.time_s, np.array([96, 192]) * tick_s, rtol=1e-12)


def test_a_change_of_tempo_in_another_track() -> None:
    """Format 1: the tempo of any track holds for all. 120, then 60 beats a minute."""
    file = read_midi_file(
        smf("8360 ff5103 0f4240 " + END, "00 99 26 40  8740 26 41 " + END, kind=1)
    )
    np.testing.assert_allclose(file.time_s, [0, 0.5 + 1.0])


@pytest.mark.parametrize(
    ("content", "found"),
    [
        (b"", "MThd"),
        (b"MThd\x00\x00", "header"),
        (smf("00 26 40 " + END), "belongs to no message"),
        (smf("00 f0 01 f7  00 99 26 40  00 ff5103 0f4240  00 26 41 " + END)[:30], "cut"),
        (smf("00 99 26 d0 " + END), "D0 found at byte 25"),
        (smf("00 f1 00 " + END), "F1"),
        (smf("00 99 26 40 " + END, division=0), "0 ticks"),
        (smf("00 99 26 40 " + END, division=0xE700), "0 ticks"),
        (smf("00 99 26 40 " + END, kind=2), "format 2"),
        (smf(), "no track"),
        (smf("ffffffffff 99 26 40"), "longer than 4 bytes"),
        (smf("00 99 26"), "in the middle"),
        (smf("00 ff5103 000000 " + END), "tempo"),
    ],
)
def test_odd_files_are_refused(content: bytes, found: str) -> None:
    """What can't be read without a guess is said, with its place."""
    with pytest.raises(BadMidiError, match=found):
        read_midi_file(content)


NOTES = st.lists(
    st.tuples(st.integers(0, 20_000), st.integers(0, 15), st.integers(0, 127), st.integers(0, 127)),
    min_size=1,
    max_size=20,
)


@settings(max_examples=60)
@given(NOTES, st.data())
def test_like_mido_and_cut_anywhere(
    notes: list[tuple[int, int, int, int]], data: st.DataObject
) -> None:
    """Peer: mido, on files that it wrote. Cut, flipped or not: read or refused, never a crash."""
    track = mido.MidiTrack(
        mido.Message("note_on", channel=channel, note=note, velocity=velocity, time=wait)
        for wait, channel, note, velocity in notes
    )
    whole = io.BytesIO()
    mido.MidiFile(tracks=[track]).save(file=whole)
    content = whole.getvalue()
    file = read_midi_file(content)
    assert [one[1:] for one in file.data] == [bytes((n, v)) for _, _, n, v in notes]
    np.testing.assert_allclose(
        file.time_s, np.cumsum([wait for wait, *_ in notes]) / 480 * 0.5, rtol=1e-9, atol=1e-12
    )
    cut = data.draw(st.integers(0, len(content) - 1))
    with pytest.raises(BadMidiError):
        read_midi_file(content[:cut])
    spoilt = bytearray(content)
    spoilt[cut] = data.draw(st.integers(0, 255))
    with contextlib.suppress(BadMidiError):
        read_midi_file(bytes(spoilt))
