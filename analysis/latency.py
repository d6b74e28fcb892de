"""Latency: from the onset of a stroke to the end of its note's last byte."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pandas as pd

from analysis import interval
from analysis.budget import plain_time
from analysis.host_path import late_u_s
from analysis.interval import Interval
from analysis.latency_shape import shape_note
from analysis.measure import Measure
from analysis.selection import LOST, NOTED, Selection, contacts, measured

_QUANTILES = {"latency_median": 0.5, "latency_p95": 0.95, "latency_p99": 0.99}


def _noted(strokes: pd.DataFrame) -> Selection:
    chosen = contacts(strokes)
    chosen = chosen.narrowed(chosen.rows["outcome"].isin(NOTED), LOST)
    return chosen.narrowed(np.isfinite(chosen.rows["latency_s"]), "latency not known")


def common_uncertainty_s(rows: pd.DataFrame) -> float:
    """Return a bound on the standard uncertainty that all latencies share; NaN if not known.

    A stroke's uncertainty is the root of the sum of squares of what it shares with all the others
    and what it has alone, so the shared part is at most the least of them. What each stroke has
    alone shows in the spread already.
    """
    if "latency_u_s" not in rows:
        return math.nan
    return interval.least(rows["latency_u_s"])


def _own_uncertainty_s(rows: pd.DataFrame) -> float:
    """Return the standard uncertainty of the largest latency; NaN if not known."""
    if rows.empty or "latency_u_s" not in rows:
        return math.nan
    largest = int(np.argmax(rows["latency_s"].to_numpy(dtype=np.float64)))
    return float(rows["latency_u_s"].to_numpy(dtype=np.float64)[largest])


def _budget(rows: pd.DataFrame, shared_ms: float, given: Mapping[str, float]) -> dict[str, float]:
    """Return medians of the standard uncertainties of the timing, in ms."""
    budget = {f"{name}_ms": 1e3 * value for name, value in given.items()}
    for name in ("onset", "note", "latency"):
        known = interval.finite(rows[f"{name}_u_s"]) if f"{name}_u_s" in rows else np.empty(0)
        budget[f"{name}_ms"] = 1e3 * float(np.median(known)) if known.size else math.nan
    budget["shared_by_all_ms"] = shared_ms
    return budget


def latency_measures(
    strokes: pd.DataFrame,
    *,
    confidence: float = 0.95,
    stage: str = "",
    systematic_u_s: float | None = None,
    budget_s: Mapping[str, float] | None = None,
    late_at_most_s: float = 0.0,
) -> list[Measure]:
    """Return median, mean, sd, p95, p99, worst and the time of the wire, in ms.

    Parameters
    ----------
    strokes
        Stroke table. Used: valid strokes with a note, doubles by their first note.
    confidence, stage
        Of every interval; what the measures are labelled with.
    systematic_u_s
        Standard uncertainty that all latencies share; ``None``: bounded by
        :func:`common_uncertainty_s`.
    budget_s
        Further standard uncertainties to print beside those of the table (marker fit, interface
        sample), by name, in seconds.
    late_at_most_s
        All notes may be stamped later than they were by up to so much. It is no part of
        ``systematic_u_s``: intervals reach down by the whole of it, and not up.

    Returns
    -------
    list of Measure
        All NaN where no stroke has a latency.
    """
    chosen = _noted(strokes)
    values = chosen.rows["latency_s"].to_numpy(dtype=np.float64) * 1e3
    shared_s = common_uncertainty_s(chosen.rows) if systematic_u_s is None else systematic_u_s
    if systematic_u_s is None:
        shared_s = _without(shared_s, late_u_s(late_at_most_s))
    shared_ms, late_ms = 1e3 * shared_s, 1e3 * late_at_most_s
    budget = _budget(chosen.rows, shared_ms, budget_s or {})
    intervals: dict[str, Interval] = {
        name: interval.quantile(values, p, confidence) for name, p in _QUANTILES.items()
    }
    intervals["latency_mean"] = interval.mean(values, confidence)
    worst = float(values.max()) if values.size else math.nan
    intervals["latency_worst"] = Interval(worst, worst, worst, "largest seen")
    # of the largest alone, its own timing error does not average out
    own_ms = 1e3 * _without(_own_uncertainty_s(chosen.rows), late_u_s(late_at_most_s))
    intervals = {
        name: interval.with_systematic(
            found,
            float(np.fmax(shared_ms, own_ms)) if name == "latency_worst" else shared_ms,
            confidence,
        )
        for name, found in intervals.items()
    }
    if late_ms > 0.0:
        intervals = {name: _reaching_down(one, late_ms) for name, one in intervals.items()}
    intervals["latency_sd"] = interval.sd(values, confidence)
    notes = {
        "latency_median": shape_note(values),
        "latency_sd": "The bench's own jitter is in it; see the timing budget.",
        "latency_worst": _worst_note(values.size, confidence),
    }
    source = _source_note(chosen.rows)
    order = ["median", "mean", "sd", "p95", "p99", "worst"]
    found = []
    for name in (f"latency_{part}" for part in order):
        details: dict[str, object] = {
            "budget": budget,
            "systematic": shared_ms,
            "late_at_most": late_ms,
        }
        if name in _QUANTILES:
            details["least_count"] = interval.least_count_of_quantile(_QUANTILES[name], confidence)
        if name == "latency_sd":
            details["systematic"] = details["late_at_most"] = 0.0
        found.append(
            measured(
                name,
                "ms",
                intervals[name],
                confidence=confidence,
                count=values.size,
                rows=chosen.strokes,
                excluded=chosen.excluded,
                stage=stage,
                note=" ".join(part for part in (notes.get(name, ""), source) if part),
                details=details,
            )
        )
    return [*found, _wire_time(chosen, confidence, stage)]


def _without(u_s: float, part_s: float) -> float:
    """Return a standard uncertainty without one of its parts; NaN stays."""
    return math.sqrt(max(u_s**2 - part_s**2, 0.0))


def _reaching_down(found: Interval, late_ms: float) -> Interval:
    return found._replace(
        low=found.low - late_ms,
        method=f"{found.method}; notes late by up to {late_ms:g} ms",
    )


def _source_note(rows: pd.DataFrame) -> str:
    """Return a sentence on where the notes come from, and how sure their times are."""
    if rows.empty or not {"note_source", "note_u_s"} <= set(rows):
        return ""
    known = interval.finite(rows["note_u_s"])
    sure = f", standard uncertainty {plain_time(float(np.median(known)))}" if known.size else ""
    names = "/".join(sorted({str(name) for name in rows["note_source"] if name}))
    return f"Notes from {names}{sure}." if names else ""


def _worst_note(count: int, confidence: float) -> str:
    if count == 0:
        return ""
    below = (1 - confidence) ** (1 / count)
    return (
        f"The largest of {count} strokes. With {100 * confidence:g} % confidence at least "
        f"{100 * below:.4g} % of strokes like these are no slower; the interval holds the timing "
        "uncertainty alone."
    )


def _wire_time(chosen: Selection, confidence: float, stage: str) -> Measure:
    """Return the median time that a note's bytes took on its wire; NaN where there is none."""
    known = chosen.narrowed(np.isfinite(chosen.rows["wire_s"]), "time of the wire not known")
    return measured(
        "wire_time",
        "ms",
        interval.quantile(known.rows["wire_s"], 0.5, confidence),
        scale=1e3,
        confidence=confidence,
        count=len(known.rows),
        rows=known.strokes,
        excluded=known.excluded,
        stage=stage,
        note="It is part of the latency.",
    )
