"""Which rows of the stroke table a measure may use, and why the others are left out."""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd

from analysis.interval import Interval
from analysis.measure import Measure
from rig.record.bench_fault import BenchError

NOTED = ("clean", "double")
"""Outcomes in which the stroke has a note."""

NOT_STRUCK = "onset that no strike explains"
NO_CONTACT = "struck, but no onset seen"

LOST = "lost: no note"
FIRST_LOST = "first stroke of the pair is lost"
OWED_TO_SPECIMEN = frozenset({LOST, FIRST_LOST})
"""Reasons that say something of the module, not of the bench or of the data."""

# fmt: off
_STROKE_COLUMNS = [
    "stroke", "strike", "burst", "stage", "pattern", "force_n", "width_us", "group", "place",
    "rate_per_s", "gap_ms", "level_difference_db", "sweep", "drive_t_s", "onset_t_s", "note_t_s",
    "latency_s", "wire_s", "outcome", "double_delay_s", "velocity", "valid", "excluded_because",
]
# fmt: on
_NOTE_COLUMNS = ["note_t_s", "role", "stroke"]


@dataclasses.dataclass(frozen=True)
class Selection:
    """Rows that may be used, and reason -> number of those left out."""

    rows: pd.DataFrame
    excluded: dict[str, int]

    @property
    def strokes(self) -> tuple[int, ...]:
        """Stroke numbers of the rows."""
        return stroke_numbers(self.rows)

    def narrowed(self, keep: pd.Series | np.ndarray[Any, Any], reason: str) -> Selection:
        """Return the rows where `keep` holds; the others are counted under `reason`."""
        mask = np.asarray(keep, dtype=bool)
        left = int((~mask).sum())
        excluded = Counter(self.excluded)
        if left:
            excluded[reason] += left
        return Selection(self.rows[mask], dict(excluded))


def stroke_numbers(rows: pd.DataFrame) -> tuple[int, ...]:
    """Return the stroke numbers of `rows`."""
    return tuple(int(n) for n in rows["stroke"])


def check_tables(strokes: pd.DataFrame, notes: pd.DataFrame) -> None:
    """Raise :class:`BenchError` that names every column the tables lack."""
    faults = [
        f"the {name} table lacks the columns {', '.join(lacking)}"
        for name, table, wanted in (
            ("stroke", strokes, _STROKE_COLUMNS),
            ("note", notes, _NOTE_COLUMNS),
        )
        if (lacking := [column for column in wanted if column not in table.columns])
    ]
    if faults:
        raise BenchError(
            f"Measuring the strokes: {'; '.join(faults)}. Analyse the run folder again."
        )


def contacts(strokes: pd.DataFrame) -> Selection:
    """Return the strokes that the pad received and that are valid.

    Left out: invalid rows (each by its own reason), strikes without an onset (the bench's fault,
    not the module's) and, where a plan exists, onsets that no strike explains. In a recording
    without any plan every onset counts as a stroke.
    """
    unexplained = (strokes["strike"] < 0) & bool((strokes["strike"] >= 0).any())
    invalid = ~strokes["valid"].astype(bool) | (strokes["outcome"] == "invalid")
    reasons = strokes["excluded_because"].where(strokes["excluded_because"].astype(bool), "invalid")
    chosen = Selection(strokes, {})
    chosen = chosen.narrowed(~unexplained, NOT_STRUCK)
    counts = Counter(reasons[invalid & ~unexplained].fillna("invalid").astype(str))
    chosen = Selection(
        chosen.rows[~invalid[~unexplained].to_numpy()],
        dict(Counter(chosen.excluded) + counts),
    )
    return chosen.narrowed(chosen.rows["outcome"] != "no_contact", NO_CONTACT)


def measured(
    name: str,
    unit: str,
    interval: Interval,
    *,
    scale: float = 1.0,
    confidence: float,
    count: int,
    rows: Iterable[int] = (),
    excluded: dict[str, int] | None = None,
    **more: Any,
) -> Measure:
    """Return a measure from an interval, its three figures times `scale`."""
    return Measure(
        name=name,
        unit=unit,
        value=interval.value * scale,
        low=interval.low * scale,
        high=interval.high * scale,
        confidence=confidence,
        method=interval.method,
        count=count,
        rows=tuple(rows),
        excluded=dict(excluded or {}),
        **more,
    )
