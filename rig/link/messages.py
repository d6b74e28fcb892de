"""Messages by name: the table as data, bodies packed and unpacked, codes as enumerations."""

from __future__ import annotations

import dataclasses
import enum
import importlib.resources
import struct
import tomllib
from collections.abc import Iterable, Mapping
from typing import Any, Final

from rig.link.frame import crc16

_TABLE: Final[dict[str, Any]] = tomllib.loads(
    importlib.resources.files("rig.link").joinpath("message_table.toml").read_text("utf-8")
)
_CODE_TABLES = ("states", "trips", "refusals", "events", "markers_us")

TABLE_VERSION: Final[int] = _TABLE["version"]
LONE_MARKER: Final = 255
"""Coil number of a marker without a coil."""

HARD_LIMITS: Final[Mapping[str, int]] = _TABLE["hard_limits"]
BOARD_RULES: Final[Mapping[str, int]] = _TABLE["board_rules"]
MARKERS_US: Final[Mapping[str, int]] = _TABLE["markers_us"]

# Enumerations are spelt out so that type checkers know them; a test holds them to the table.


class State(enum.IntEnum):
    """States of the board."""

    SAFE = 0
    READY = 1
    ARMED = 2
    STRIKING = 3
    TRIPPED = 4


class Trip(enum.IntEnum):
    """Why the board tripped."""

    NONE = 0
    ESTOP_OPEN = 1
    GUARD_OPEN = 2
    HOST_SILENT = 3
    ON_TIME = 4
    HEAT = 5
    QUEUE_DRY = 6
    LATE = 7
    FRAME_FLOOD = 8
    CRC_FLOOD = 9
    SUPPLY = 10
    RESET_IN_RUN = 11
    COIL_ON_UNASKED = 12
    COIL_DEAD = 13
    EVENT_OVERFLOW = 14
    PROGRAM_HANG = 15


class Refusal(enum.IntEnum):
    """Why the board did not do what it was asked."""

    DONE = 0
    WRONG_STATE = 1
    INTERLOCK_OPEN = 2
    LIMITS_NOT_AGREED = 3
    PULSE_TOO_LONG = 4
    GAP_TOO_SHORT = 5
    HEAT_BUDGET = 6
    TOO_FAR_AHEAD = 7
    IN_THE_PAST = 8
    QUEUE_FULL = 9
    OUT_OF_ORDER = 10
    NO_SUCH_COIL = 11
    BAD_BODY = 12
    UNKNOWN_TYPE = 13
    CAUSE_REMAINS = 14
    NOTHING_LOADED = 15


class EventKind(enum.IntEnum):
    """Kinds of events that the board stamps."""

    COIL_ON = 1
    COIL_OFF = 2
    IMPACT = 3
    DIN_BYTE = 4
    INTERLOCK = 5
    STATE = 6
    TRIP = 7
    BURST_END = 8
    DIN_ERROR = 9
    MARKER = 10


class Interlock(enum.IntEnum):
    """Bits of the board's interlocks; a set bit is closed, or in order."""

    ESTOP = 0
    GUARD = 1
    SUPPLY = 2
    HOST = 3
    LIMITS = 4
    COILS_QUIET = 5


class BadBodyError(ValueError):
    """A body that is no message of its type: wrong length, or a count that it does not hold."""


@dataclasses.dataclass(frozen=True)
class MessageFormat:
    """One row of the table.

    Attributes
    ----------
    name, type_code
        As in the table.
    fields, repeat_fields
        Names of the fixed part's fields and of each record after it.
    layout, repeat_layout
        Their layouts; ``repeat_layout`` is None without records.
    reply
        Name of the reply; empty for replies themselves.
    """

    name: str
    type_code: int
    fields: tuple[str, ...]
    layout: struct.Struct
    repeat_fields: tuple[str, ...]
    repeat_layout: struct.Struct | None
    reply: str

    @property
    def records_at_most(self) -> int:
        """Records that fit one frame; 0 for a message without."""
        if self.repeat_layout is None:
            return 0
        room = BOARD_RULES["frame_longest_bytes"] - 4 - self.layout.size
        return min(room // self.repeat_layout.size, 255)

    def pack(self, *values: Any, records: Iterable[tuple[Any, ...]] = ()) -> bytes:
        """Body from the fixed fields in order (``count`` left out) and the records.

        Raises
        ------
        struct.error
            A value does not fit its field.
        """
        if self.repeat_layout is None:
            return self.layout.pack(*values)
        packed = [self.repeat_layout.pack(*record) for record in records]
        return b"".join((self.layout.pack(*values, len(packed)), *packed))

    def unpack(self, body: bytes) -> tuple[dict[str, Any], list[tuple[Any, ...]]]:
        """Fields by name and records as tuples.

        Raises
        ------
        BadBodyError
            The body is longer or shorter than its fields and ``count`` say.
        """
        head = self.layout.size
        size = len(body)
        if size < head or (size > head and self.repeat_layout is None):
            raise BadBodyError(f"{self.name}: a body of {size} bytes, {head} expected")
        fields = dict(zip(self.fields, self.layout.unpack_from(body), strict=True))
        if self.repeat_layout is None:
            return fields, []
        expected = head + fields["count"] * self.repeat_layout.size
        if size != expected:
            raise BadBodyError(f"{self.name}: a body of {size} bytes, {expected} expected")
        return fields, list(self.repeat_layout.iter_unpack(memoryview(body)[head:]))


def _read_formats() -> dict[str, MessageFormat]:
    formats = {}
    for row in _TABLE["message"]:
        repeat = row.get("repeat", "")
        formats[row["name"]] = MessageFormat(
            name=row["name"],
            type_code=row["type"],
            fields=tuple(row.get("fields", ())),
            layout=struct.Struct("<" + row["format"]),
            repeat_fields=tuple(row.get("repeat_fields", ())),
            repeat_layout=struct.Struct("<" + repeat) if repeat else None,
            reply=row.get("reply", ""),
        )
    return formats


FORMATS: Final[Mapping[str, MessageFormat]] = _read_formats()
"""Messages by name."""

BY_TYPE: Final[Mapping[int, MessageFormat]] = {row.type_code: row for row in FORMATS.values()}
"""Messages by type code."""


def canonical_text() -> str:
    r"""Text of the table that its hash is taken of.

    One line each, ended by ``\n``, words parted by one blank, a list's names joined by commas, an
    empty word written ``-``::

        version VERSION
        message NAME TYPE_IN_DECIMAL FORMAT FIELDS REPEAT REPEAT_FIELDS REPLY    by rising type
        states NAME CODE                                                         by rising code
        trips ..., refusals ..., events ..., markers_us ...                      likewise

    Comments and the board's constants are no part of it: they do not change how bytes are read.
    """
    lines = [f"version {TABLE_VERSION}"]
    for row in sorted(_TABLE["message"], key=lambda row: row["type"]):
        words = (
            row["name"],
            str(row["type"]),
            row["format"],
            ",".join(row.get("fields", ())),
            row.get("repeat", ""),
            ",".join(row.get("repeat_fields", ())),
            row.get("reply", ""),
        )
        lines.append("message " + " ".join(word or "-" for word in words))
    for table in _CODE_TABLES:
        for name, code in sorted(_TABLE[table].items(), key=lambda item: item[1]):
            lines.append(f"{table} {name} {code}")
    return "\n".join(lines) + "\n"


def table_hash() -> int:
    """CRC-16/CCITT-FALSE over ``canonical_text`` in ASCII; host and board compare it on hello."""
    return crc16(canonical_text().encode("ascii"))


def table_codes(table: str) -> Mapping[str, int]:
    """Codes by name of one of the tables states, trips, refusals, events, markers_us."""
    codes: dict[str, int] = _TABLE[table]
    return codes
