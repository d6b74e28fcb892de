"""A measure: a value with its unit, interval, method, count and the rows it came from."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

UNITS: dict[str, str] = {
    "ms": "ms",
    "us": "µs",
    "percent": "%",
    "per_s": "strokes/s",
    "per_h": "1/h",
    "levels": "levels",
    "n": "N",
    "db": "dB",
    "dbfs": "dBFS",
    "count": "",
    "ratio": "",
}
"""Unit tokens as they end a key in a protocol file, and as they are printed."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Measure:
    """One figure that can be argued with.

    Attributes
    ----------
    name, unit
        Name in the catalogue of ``protocols/MEASURES.md``; unit token of ``UNITS``.
    value, low, high
        The figure and its interval; NaN where it cannot be told.
    confidence, method
        Confidence of the interval, and the method by name.
    count
        Number of strokes (or trials) behind it.
    stage
        Stage it is of; empty for the whole run.
    rows
        Stroke numbers behind it.
    excluded
        Reason -> number of strokes left out.
    bench_limited
        The bench, not the specimen, limits the figure: read it as "at least".
    note
        A sentence on what the figure means or cannot tell.
    details
        Figures for pictures (fitted curves, points); plain lists and numbers.
    """

    name: str
    unit: str
    value: float
    low: float = math.nan
    high: float = math.nan
    confidence: float = 0.95
    method: str = ""
    count: int = 0
    stage: str = ""
    rows: tuple[int, ...] = ()
    excluded: dict[str, int] = dataclasses.field(default_factory=dict)
    bench_limited: bool = False
    note: str = ""
    details: dict[str, Any] = dataclasses.field(default_factory=dict)
