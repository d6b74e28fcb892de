"""What counts as a whole MIDI message (MIDI 1.0, summary of messages)."""

import pytest

from rig.capture.midi import well_formed


@pytest.mark.parametrize(
    "message",
    ["99 26 64", "89 26 00", "c9 05", "d9 40", "f8", "fe", "f0 7e 7f 06 01 f7", "f2 00 10", "f6"],
)
def test_whole_messages(message):
    """Channel, real-time, common and exclusive messages of the right length are whole."""
    assert well_formed(bytes.fromhex(message))


@pytest.mark.parametrize(
    "message",
    ["", "26 64", "99 26", "99 26 64 10", "99 f1 64", "c9 05 06", "f0 7e", "f0 90 f7", "f2"],
)
def test_malformed_messages(message):
    """Cut, overlong and mixed-up bytes are not."""
    assert not well_formed(bytes.fromhex(message))
