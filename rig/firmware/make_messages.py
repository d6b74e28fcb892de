"""Write the C header of the message table to standard output: ``python make_messages.py``."""

from __future__ import annotations

import sys

from rig.link import messages

TICKS_PER_US = 2


def header() -> str:
    """C header text: types, body sizes, codes, hard limits and rules of ``message_table.toml``."""
    lines = [
        "/* Made from rig/link/message_table.toml by make_messages.py; edit that table instead. */",
        "#ifndef MESSAGE_TABLE_H",
        "#define MESSAGE_TABLE_H",
    ]

    def define(name: str, value: int) -> None:
        suffix = "U" if value <= 0xFFFF else "UL"
        lines.append(f"#define {name.upper()} {value}{suffix}")

    define("table_version", messages.TABLE_VERSION)
    define("table_hash", messages.table_hash())
    for row in messages.FORMATS.values():
        define(f"msg_{row.name}", row.type_code)
        define(f"body_{row.name}", row.layout.size)
        if row.repeat_layout is not None:
            define(f"record_{row.name}", row.repeat_layout.size)
            define(f"records_at_most_{row.name}", row.records_at_most)
    for table, prefix in (
        ("states", "state"),
        ("trips", "trip"),
        ("refusals", "refusal"),
        ("events", "event"),
    ):
        for name, code in messages.table_codes(table).items():
            define(f"{prefix}_{name}", code)
    for bit in messages.Interlock:
        define(f"interlock_{bit.name}", bit.value)
    for name, width_us in messages.MARKERS_US.items():
        define(f"marker_{name}_ticks", width_us * TICKS_PER_US)
    for name, value in messages.HARD_LIMITS.items():
        define(f"hard_{name}", value)
    for name, value in messages.BOARD_RULES.items():
        define(f"rule_{name}", value)
    lines.append("#endif")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    sys.stdout.write(header())
