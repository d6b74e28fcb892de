"""The board's acquaintance: who it is, and whether it speaks this program's message table."""

from __future__ import annotations

from rig.board_facts import Identity
from rig.faults import LinkError
from rig.link.messages import TABLE_VERSION, table_hash
from rig.link.request import Requester

BOOT_S = 3.0
"""Time in which a board answers that was reset by opening its port (common practice, no source)."""

_ANSWER_S = 0.25


def greet(requester: Requester) -> Identity:
    """Say hello until the board answers.

    Raises
    ------
    LinkError
        No answer, or it speaks another version of the message table; which side to update is said.
    """
    tries = max(1, round(BOOT_S / _ANSWER_S))
    reply = requester.request("hello", anew=True, answer_s=_ANSWER_S, tries=tries)
    fields = dict(reply.fields)
    if reply.name != "identity":
        raise LinkError("host.table_differs", "Greeting the board", "it gave no identity")
    version, found_hash = fields["table_version"], fields["table_hash"]
    if (version, found_hash) != (TABLE_VERSION, table_hash()):
        if version > TABLE_VERSION:
            side = "update this program"
        elif version < TABLE_VERSION:
            side = "flash the firmware that comes with this program"
        else:
            side = "flash the firmware built from the same source as this program"
        raise LinkError(
            "host.table_differs",
            "Greeting the board",
            f"message table: board has version {version} (hash {found_hash:04x}), host "
            f"{TABLE_VERSION} ({table_hash():04x}): {side}",
        )
    parts = [fields.pop(f"firmware_{part}") for part in ("major", "minor", "patch")]
    serial = fields.pop("board_serial").decode("ascii", "backslashreplace").strip()
    return Identity(firmware=".".join(map(str, parts)), serial=serial, **fields)
