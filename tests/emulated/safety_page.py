"""The safety page's table of interlocks: its rows, and its times against those measured."""

from __future__ import annotations

import re
from pathlib import Path

from rig.link.messages import Trip

PAGE = (Path(__file__).parents[2] / "rig" / "SAFETY.md").read_text(encoding="utf-8")
UNIT_US = {"us": 1.0, "ms": 1000.0}
STALE = 2.5
"""A figure of the page that is further than this factor from what is measured is out of date."""


def rows() -> dict[str, list[str]]:
    """Rows of the interlocks' table: trip to sensed, reaction, worst time, reset, tests."""
    table = PAGE.split("## Interlocks")[1].split("## What")[0]
    lines = [line for line in table.splitlines() if line.startswith("|")][2:]
    cells = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]
    return {row[0]: row[1:] for row in cells}


def times_us(trip: Trip) -> tuple[float, float]:
    """Allowed and measured worst time of a trip, as the page says it."""
    cell = rows()[trip.name.lower()][2]
    allowed = re.search(r"([\d.]+) (us|ms) allowed", cell)
    measured = re.search(r"([\d.]+) (us|ms) measured", cell)
    assert allowed, cell
    assert measured, cell
    return tuple(float(m[1]) * UNIT_US[m[2]] for m in (allowed, measured))


def check_time(trip: Trip, worst_us: float) -> None:
    """A time just measured is allowed by the page, and what the page says of it is not stale."""
    allowed_us, told_us = times_us(trip)
    assert worst_us <= allowed_us
    assert told_us / STALE <= worst_us <= told_us * STALE, f"{trip.name}: {worst_us:.1f} us"
