"""Shares of strokes that went wrong, and notes that no stroke explains."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd

from analysis import interval
from analysis.interval import Interval
from analysis.measure import Measure
from analysis.selection import Selection, contacts, measured


def _share(
    name: str, chosen: Selection, bad: pd.Series, confidence: float, stage: str, note: str
) -> Measure:
    hits = int(bad.sum())
    return measured(
        name,
        "percent",
        interval.share(hits, len(chosen.rows), confidence),
        scale=100,
        confidence=confidence,
        count=len(chosen.rows),
        rows=chosen.strokes,
        excluded=chosen.excluded,
        stage=stage,
        note=note,
        details={"hits": hits, "strokes": [int(n) for n in chosen.rows["stroke"][bad]]},
    )


def count_measures(
    strokes: pd.DataFrame, *, confidence: float = 0.95, stage: str = ""
) -> list[Measure]:
    """Return lost_share, double_share and double_delay_median.

    Shares are of the valid strokes that the pad received. The delay is from a stroke's first note
    to its first further one; each double's delay stands in the details.
    """
    chosen = contacts(strokes)
    outcome = chosen.rows["outcome"]
    doubled = Selection(chosen.rows[outcome == "double"], chosen.excluded)
    delays = doubled.rows["double_delay_s"].to_numpy(dtype=np.float64) * 1e3
    return [
        _share("lost_share", chosen, outcome == "lost", confidence, stage,
               "Strokes without a note, of the strokes that the pad received."),
        _share("double_share", chosen, outcome == "double", confidence, stage,
               "Strokes with more than one note of the struck zone."),
        measured(
            "double_delay_median", "ms", interval.quantile(delays, 0.5, confidence),
            confidence=confidence, count=int(np.isfinite(delays).sum()), rows=doubled.strokes,
            excluded=doubled.excluded if delays.size else None, stage=stage,
            note="From the first note to the next one of the same stroke.",
            details={
                "delays_ms": [float(delay) for delay in delays],
                "strokes": list(doubled.strokes),
            },
        ),
    ]  # fmt: skip


def crosstalk_share(
    strokes: pd.DataFrame, notes: pd.DataFrame, *, confidence: float = 0.95, stage: str = ""
) -> Measure:
    """Return the share of strokes that made another zone sound."""
    chosen = contacts(strokes)
    other = notes[notes["role"] == "crosstalk"]
    bad = chosen.rows["stroke"].isin(other["stroke"])
    return _share(
        "crosstalk_share", chosen, bad, confidence, stage,
        "Strokes with at least one note of a zone that was not struck.",
    )  # fmt: skip


def stray_rate(
    notes: pd.DataFrame,
    spans_s: Sequence[tuple[float, float]],
    *,
    confidence: float = 0.95,
    stage: str = "",
) -> Measure:
    """Return the rate of notes that no stroke explains, per hour of the time observed.

    Parameters
    ----------
    notes
        Notes table.
    spans_s
        Stretches of time observed, (begin, end) on the audio clock; they must not overlap. None
        of any length: NaN.
    confidence, stage
        Of the interval; what the measure is labelled with.
    """
    strays = notes[notes["role"] == "stray"]
    times = strays["note_t_s"].to_numpy(dtype=np.float64)
    inside = np.zeros(times.size, dtype=bool)
    observed_s = 0.0
    for begin_s, end_s in spans_s:
        if math.isfinite(begin_s) and end_s > begin_s:
            observed_s += end_s - begin_s
            inside |= (times >= begin_s) & (times <= end_s)
    events = int(inside.sum())
    found: Interval = interval.event_rate(events, observed_s / 3600, confidence)
    outside = {"outside the time observed": int((~inside).sum())} if (~inside).any() else {}
    return measured(
        "stray_rate", "per_h", found, confidence=confidence, count=int(observed_s),
        excluded=outside, stage=stage,
        note=f"{events} in {observed_s:.1f} s observed; the count is of whole seconds.",
        details={
            "events": events,
            "observed_s": observed_s,
            "times_s": [float(t) for t in times[inside]],
        },
    )  # fmt: skip
