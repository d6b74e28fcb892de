"""The line that each key of a TOML text stands in, which the parser doesn't tell."""

from __future__ import annotations

import re

Key = tuple[str | int, ...]
"""Way to a value: ("stage", 1, "rates_per_s") is the key of the second ``[[stage]]``."""

_HEADER = re.compile(r"\s*(\[\[?)\s*([^\]]+?)\s*\]\]?\s*(#.*)?$")
_KEY = re.compile(r"\s*((?:[A-Za-z0-9_-]+|\"[^\"]*\"|'[^']*')(?:\s*\.\s*[A-Za-z0-9_\"'-]+)*)\s*=")


def key_lines(text: str) -> dict[Key, int]:
    """Find the line of each table and key, by a scan that knows headers and keys only."""
    lines: dict[Key, int] = {}
    counts: dict[Key, int] = {}
    table: Key = ()
    quote, depth = "", 0
    for number, line in enumerate(text.splitlines(), start=1):
        if quote or depth:  # inside a value of several lines
            pass
        elif header := _HEADER.match(line):
            table = _table_key(header[2], header[1] == "[[", counts)
            lines.setdefault(table, number)
            continue
        elif key := _KEY.match(line):
            lines.setdefault((*table, *_parts(key[1])), number)
        quote, depth = _still_open(line, quote, depth)
    return lines


def _parts(dotted: str) -> list[str]:
    return [part.strip().strip("\"'") for part in dotted.split(".")]


def _table_key(dotted: str, one_of_many: bool, counts: dict[Key, int]) -> Key:
    key: Key = ()
    parts = _parts(dotted)
    for place, part in enumerate(parts):
        key = (*key, part)
        if one_of_many and place == len(parts) - 1:
            counts[key] = counts.get(key, -1) + 1
        if key in counts:
            key = (*key, counts[key])
    return key


def _still_open(line: str, quote: str, depth: int) -> tuple[str, int]:
    """Tell whether a text in triple quotes, or a list, goes on after this line."""
    place = 0
    while place < len(line):
        if quote:
            end = line.find(quote, place)
            if end < 0:
                return (quote, depth) if len(quote) == 3 else ("", depth)
            place, quote = end + len(quote), ""
        elif line[place] in "\"'":
            quote = line[place] * 3 if line.startswith(line[place] * 3, place) else line[place]
            place += len(quote)
        elif line[place] == "#":
            break
        else:
            depth += (line[place] in "[{") - (line[place] in "]}")
            place += 1
    return (quote if len(quote) == 3 else "", max(depth, 0))
