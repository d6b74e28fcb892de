"""The message table as code: enumerations, layouts and the hash."""

from __future__ import annotations

import enum
import tomllib
from pathlib import Path

import pytest

import rig.link
from rig.link import messages
from rig.link.frame import FRAME_LONGEST_BYTES, crc16
from rig.link.messages import FORMATS, BadBodyError

TABLE_PATH = Path(rig.link.__file__).parent / "message_table.toml"


@pytest.mark.parametrize(
    ("table", "codes"),
    [
        ("states", messages.State),
        ("trips", messages.Trip),
        ("refusals", messages.Refusal),
        ("events", messages.EventKind),
    ],
)
def test_enumerations_are_those_of_the_table(table: str, codes: type[enum.IntEnum]) -> None:
    """Each name and code of the table stands in the enumeration, and no other."""
    assert {code.name.lower(): code.value for code in codes} == dict(messages.table_codes(table))


@pytest.mark.parametrize("name", FORMATS)
def test_message_with_as_many_records_as_fit_comes_back(name: str) -> None:
    """Packed to the brim, each message fits a frame and unpacks to what was packed."""
    row = FORMATS[name]
    head = row.layout.unpack(bytes(row.layout.size))
    if row.repeat_layout is None:
        body = row.pack(*head)
        assert row.unpack(body) == (dict(zip(row.fields, head, strict=True)), [])
    else:
        records = [row.repeat_layout.unpack(bytes(row.repeat_layout.size))] * row.records_at_most
        body = row.pack(*head[:-1], records=records)
        fields, back = row.unpack(body)
        assert fields["count"] == row.records_at_most
        assert back == records
    assert len(body) <= FRAME_LONGEST_BYTES - 4


@pytest.mark.parametrize("name", FORMATS)
def test_body_of_wrong_length_is_refused(name: str) -> None:
    """A byte too many or too few is told, and never read as something else."""
    row = FORMATS[name]
    whole = bytes(row.layout.size)
    for body in (whole + b"\0", whole[:-1]):
        if body != whole:
            with pytest.raises(BadBodyError, match=name):
                row.unpack(body)


def test_each_request_names_a_reply_of_the_table() -> None:
    """Requests have codes below 0x80 and a reply; replies have neither."""
    for row in FORMATS.values():
        if row.type_code < 0x80:
            assert FORMATS[row.reply].type_code >= 0x80
        else:
            assert row.reply == ""
    assert len(messages.BY_TYPE) == len(FORMATS)


def test_hash_is_the_crc_of_the_text_as_documented() -> None:
    """The hash can be had from the file by the docstring's words alone."""
    table = tomllib.loads(TABLE_PATH.read_text("utf-8"))
    text = f"version {table['version']}\n"
    for row in sorted(table["message"], key=lambda row: row["type"]):
        words = [
            "message",
            row["name"],
            f"{row['type']:d}",
            row["format"],
            ",".join(row.get("fields", [])),
            row.get("repeat", ""),
            ",".join(row.get("repeat_fields", [])),
            row.get("reply", ""),
        ]
        text += " ".join(word if word else "-" for word in words) + "\n"
    for name in ("states", "trips", "refusals", "events", "markers_us"):
        for key, code in sorted(table[name].items(), key=lambda item: item[1]):
            text += f"{name} {key} {code}\n"
    assert messages.table_hash() == crc16(text.encode("ascii"))


def test_hash_sees_a_changed_field() -> None:
    """Another field name gives another text (so another firmware is not taken for this one)."""
    text = messages.canonical_text()
    assert "queue_free" in text
    assert crc16(text.replace("queue_free", "queue_left").encode()) != messages.table_hash()


def test_ticks_of_the_longest_pulse_fit_their_field() -> None:
    """The hard limit on a pulse can be written in the strike's width field."""
    assert messages.HARD_LIMITS["longest_pulse_ticks"] < 1 << 16
    assert messages.BOARD_RULES["frame_longest_bytes"] == FRAME_LONGEST_BYTES
