"""Framing against published check values, and against hostile bytes.

Sources: CRC-16/CCITT-FALSE check value 0x29B1 of "123456789" (catalogue of parametrised CRC
algorithms, from memory). COBS examples: Cheshire and Baker, "Consistent Overhead Byte Stuffing",
IEEE/ACM Transactions on Networking 7 (1999), and the worked table of the encyclopaedia article on
it (from memory).
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.link.frame import FRAME_LONGEST_BYTES, Frame, FrameDecoder, crc16, encode, stuff, unstuff

bodies = st.binary(max_size=FRAME_LONGEST_BYTES - 4)
frames = st.builds(Frame, st.integers(0, 255), st.integers(0, 255), bodies)


def _crc_bit_by_bit(data: bytes) -> int:
    """The same checksum by its definition: long division of polynomials, one bit at a time."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = ((crc << 1) ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return crc


def test_checksum_has_published_check_value() -> None:
    """CRC of the nine digits is the catalogue's check value."""
    assert crc16(b"123456789") == 0x29B1


@given(st.binary(max_size=300))
def test_checksum_follows_its_definition(data: bytes) -> None:
    """CRC equals the division done bit by bit."""
    assert crc16(data) == _crc_bit_by_bit(data)


@pytest.mark.parametrize(
    ("plain", "stuffed"),
    [
        ("00", "01 01"),
        ("00 00", "01 01 01"),
        ("00 11 00", "01 02 11 01"),
        ("11 22 00 33", "03 11 22 02 33"),
        ("11 22 33 44", "05 11 22 33 44"),
        ("11 00 00 00", "02 11 01 01 01"),
    ],
)
def test_stuffing_gives_published_examples(plain: str, stuffed: str) -> None:
    """COBS reproduces the worked examples both ways."""
    assert stuff(bytes.fromhex(plain)) == bytes.fromhex(stuffed)
    assert unstuff(bytes.fromhex(stuffed)) == bytes.fromhex(plain)


@given(st.binary(max_size=253))
def test_stuffing_leaves_no_zero_and_comes_back(data: bytes) -> None:
    """Stuffed bytes hold no zero, are one byte longer, and unstuff to the same."""
    stuffed = stuff(data)
    assert 0 not in stuffed
    assert len(stuffed) == len(data) + 1
    assert unstuff(stuffed) == data


@pytest.mark.parametrize("broken", ["", "00", "03 11", "02 00", "ff 11", "05 11 22 00 33"])
def test_broken_stuffing_is_told(broken: str) -> None:
    """What is no COBS gives None, never bytes."""
    assert unstuff(bytes.fromhex(broken)) is None


@given(st.lists(frames, max_size=5), st.integers(1, 50))
def test_frames_come_back_however_they_are_cut(sent: list[Frame], piece: int) -> None:
    """Frames survive being fed in pieces of any length."""
    wire = b"".join(encode(frame) for frame in sent)
    decoder = FrameDecoder()
    got = [
        frame
        for start in range(0, len(wire), piece)
        for frame in decoder.feed(wire[start : start + piece])
    ]
    assert got == sent
    assert decoder.bad_count == 0


@given(st.binary(min_size=1, max_size=600).filter(lambda data: data[-1] != 0), frames)
def test_next_frame_after_garbage_is_read(garbage: bytes, frame: Frame) -> None:
    """Garbage and the zero that ends it cost nothing but counts; the next frame is whole."""
    decoder = FrameDecoder()
    assert decoder.feed(garbage + b"\0" + encode(frame))[-1] == frame


@given(frames, st.data())
def test_flipped_bit_is_never_taken_for_a_frame(frame: Frame, data: st.DataObject) -> None:
    """With one bit flipped no frame of the same length comes out.

    A closing zero turned into 1 appends a zero byte, which a CRC of this kind can't see: such a
    frame is one byte too long for its type, and ``MessageFormat.unpack`` refuses it.
    """
    wire = bytearray(encode(frame))
    position = data.draw(st.integers(0, len(wire) * 8 - 1))
    wire[position // 8] ^= 1 << position % 8
    got = FrameDecoder().feed(bytes(wire) + b"\0")
    assert all(len(other.body) == len(frame.body) + 1 for other in got)
    assert not got or position == (len(wire) - 1) * 8


def test_overlong_piece_counts_once_and_is_forgotten() -> None:
    """A flood without zeros takes no memory and counts as one bad frame."""
    decoder = FrameDecoder()
    for _ in range(1000):
        assert decoder.feed(b"\x55" * 100) == []
    assert decoder.feed(b"\0") == []
    assert decoder.bad_count == 1


def test_frame_too_long_is_not_sent() -> None:
    """A body beyond the board's buffer is an error at the sender."""
    with pytest.raises(ValueError, match="at most 240"):
        encode(Frame(1, 1, bytes(FRAME_LONGEST_BYTES - 3)))
