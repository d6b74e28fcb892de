"""Flams: how close a second stroke may follow and still sound, in order and at its level."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis import interval
from analysis.crossing import METHOD, Crossing, crossing
from analysis.interval import Interval
from analysis.measure import Measure
from analysis.selection import FIRST_LOST, NOTED, Selection, contacts, measured, stroke_numbers

Array = NDArray[np.float64]

_CHANCES = {"flam_gap_50": 0.5, "flam_gap_95": 0.95}
_BIN = 0.001  # in log gap: gaps nearer than 0.1 % are one point
_LEAST_TOLERANCE = 8.0  # velocity levels: no demand is finer than this


def flam_pairs(strokes: pd.DataFrame) -> Selection:
    """Return one row a pair: its second stroke, with what came of the first.

    Columns added to those of the second stroke: ``gap_s`` (measured between the onsets; the
    programmed gap where an onset isn't known), ``caught`` (the second has a note) and, of the
    first stroke, ``first_note_t_s``, ``first_velocity`` and ``first_stroke``. Left out:
    pairs of which either stroke is invalid or without contact, or of which the first is lost
    (nothing then stands before the second).
    """
    flams = strokes[(strokes["pattern"] == "flam") & (strokes["strike"] >= 0)]
    chosen = contacts(flams)
    columns = ["group", "stroke", "onset_t_s", "note_t_s", "velocity", "outcome"]
    first = chosen.rows.loc[chosen.rows["place"] == 0, columns]
    first = first.add_prefix("first_").rename(columns={"first_group": "group"})
    second = chosen.rows[chosen.rows["place"] == 1]
    pairs = second.merge(first, on="group", how="left")
    pairs["gap_s"] = pairs["onset_t_s"] - pairs["first_onset_t_s"]
    pairs["gap_s"] = pairs["gap_s"].where(pairs["gap_s"] > 0, pairs["gap_ms"] / 1e3)
    pairs["caught"] = pairs["outcome"].isin(NOTED)
    found = Selection(pairs, chosen.excluded)
    found = found.narrowed(pairs["first_outcome"].notna(), "first stroke of the pair not usable")
    found = found.narrowed(found.rows["first_outcome"].isin(NOTED), FIRST_LOST)
    return found.narrowed(np.isfinite(found.rows["gap_s"]), "gap of the pair not known")


def _crossing(pairs: pd.DataFrame, chance: float, confidence: float) -> Crossing | None:
    return crossing(np.log(pairs["gap_s"]), pairs["caught"], chance, confidence, bin_width=_BIN)


def _proven_gap(gaps: Array, caught: NDArray[np.bool_], chance: float, confidence: float) -> float:
    """Return the shortest gap proven to reach `chance` without any curve; NaN if none.

    The chance does not fall with the gap, so at a given gap it is at least the mean chance of all
    shorter ones; that mean has an exact bound.
    """
    order = np.argsort(gaps)
    hits, trials = np.cumsum(caught[order]), np.arange(1, gaps.size + 1)
    for i in np.unique(np.linspace(0, gaps.size - 1, 60).astype(int)):
        if interval.share(int(hits[i]), int(trials[i]), confidence).low >= chance:
            return float(gaps[order[i]])
    return math.nan


def _gap_at(pairs: pd.DataFrame, chance: float, confidence: float) -> tuple[Interval, bool, str]:
    """Return the gap (s) for a chance, whether the bench limits it, and a sentence."""
    proven = "exact bound of the pairs at least as close"
    found = _crossing(pairs, chance, confidence)
    if found is None:
        return Interval(math.nan, math.nan, math.nan, METHOD), False, "No pairs were struck."
    gaps = pairs["gap_s"].to_numpy(dtype=np.float64)
    caught = pairs["caught"].to_numpy(dtype=bool)
    shortest, longest = float(gaps.min()), float(gaps.max())
    if caught.all():
        high = _proven_gap(gaps, caught, chance, confidence)
        note = f"At most: every second stroke was caught down to {shortest * 1e3:.4g} ms."
        return Interval(shortest, math.nan, high, proven), True, note
    if not caught.any():
        sure = interval.share(0, caught.size, confidence).high < chance
        low = longest if sure else math.nan
        note = f"No second stroke was caught up to {longest * 1e3:.4g} ms, the longest gap struck."
        return Interval(math.nan, low, math.nan, proven), False, note
    log_gap = found.interval
    gap = Interval(math.exp(log_gap.value), math.exp(log_gap.low), math.exp(log_gap.high), METHOD)
    if found.from_lowest:
        high = (
            gap.high if math.isfinite(gap.high) else _proven_gap(gaps, caught, chance, confidence)
        )
        note = f"At most the shortest gap struck, {shortest * 1e3:.4g} ms."
        return Interval(shortest, math.nan, max(high, shortest), METHOD), True, note
    if found.never:
        note = (
            f"Even at {longest * 1e3:.4g} ms, the longest gap struck, fewer than {100 * chance:g} %"
            " of second strokes are caught."
        )
        return Interval(math.nan, gap.low, gap.high, METHOD), False, note
    return gap, False, f"{100 * chance:g} % of second strokes are caught from this gap on."


def _by_level_difference(pairs: pd.DataFrame, confidence: float) -> list[dict[str, Any]]:
    """Return the points and the curve of each level difference, for the recovery map."""
    found: list[dict[str, Any]] = []
    for level, part in pairs.groupby("level_difference_db"):
        points = []
        for gap_ms, some in part.groupby("gap_ms"):
            caught = int(some["caught"].sum())
            bound = interval.share(caught, len(some), confidence)
            points.append(
                {
                    "gap_ms": float(str(gap_ms)),
                    "measured_gap_ms": 1e3 * float(some["gap_s"].median()),
                    "caught": caught,
                    "pairs": len(some),
                    "share": bound.value,
                    "low": bound.low,
                    "high": bound.high,
                }
            )
        entry: dict[str, Any] = {"level_difference_db": float(str(level)), "points": points}
        for name, chance in _CHANCES.items():
            at = _crossing(part, chance, confidence)
            if at:
                entry[f"{name}_ms"] = 1e3 * math.exp(at.interval.value)
                entry["curve"] = {
                    "gap_ms": (1e3 * np.exp(at.x)).tolist(),
                    "chance": at.share.tolist(),
                }
        found.append(entry)
    return found


def _level_kept(pairs: pd.DataFrame) -> tuple[NDArray[np.bool_], float]:
    """Return for each pair whether the second is as far from the first as it should, and tolerance.

    What it should be is the median difference of velocity at the longest quarter of the gaps of
    the same level difference, where the first stroke no longer disturbs the second. The tolerance
    is three standard deviations of the differences there, 8 levels at least; beyond that, where
    the reference differs from 0 by more than the tolerance, the sign has to be right.
    """
    step = (pairs["velocity"] - pairs["first_velocity"]).to_numpy(dtype=np.float64)
    level = pairs["level_difference_db"].fillna(0.0).to_numpy()
    gap = pairs["gap_s"].to_numpy(dtype=np.float64)
    wanted = np.full(step.size, math.nan)
    rests = []
    for one in np.unique(level):
        here = level == one
        far = here & (gap >= np.quantile(gap[here], 0.75))
        wanted[here] = np.median(step[far])
        rests.append(step[far] - np.median(step[far]))
    rest = np.concatenate(rests) if rests else np.zeros(0)
    spread = float(np.sqrt(np.sum(rest**2) / max(rest.size - len(rests), 1)))
    tolerance = max(_LEAST_TOLERANCE, 3 * spread)
    right_size = np.abs(step - wanted) <= tolerance
    right_sign = (np.abs(wanted) <= tolerance) | (np.sign(step) == np.sign(wanted))
    return right_size & right_sign, tolerance


def flam_measures(
    strokes: pd.DataFrame, *, confidence: float = 0.95, stage: str = ""
) -> list[Measure]:
    """Return flam_gap_50, flam_gap_95 (ms), flam_order_kept and flam_level_kept (percent).

    The gaps are of the pairs whose level difference is nearest to 0 dB; the other level
    differences stand in the details. Where every second stroke is caught the figure is the
    shortest gap struck, ``bench_limited``: read it as "at most". No pairs: all NaN.
    """
    chosen = flam_pairs(strokes)
    pairs = chosen.rows
    details: dict[str, Any] = {"by_level_difference": _by_level_difference(pairs, confidence)}
    level = pairs["level_difference_db"].fillna(0.0)
    nearest = float(level.iloc[int(np.argmin(np.abs(level)))]) if len(pairs) else 0.0
    equal = pairs[level == nearest]
    found = []
    for name, chance in _CHANCES.items():
        gap, limited, note = _gap_at(equal, chance, confidence)
        found.append(
            measured(
                name, "ms", gap, scale=1e3, confidence=confidence, count=len(equal),
                rows=stroke_numbers(equal), excluded=chosen.excluded, stage=stage,
                bench_limited=limited,
                details={**details, "chance": chance, "direction": "at_most"},
                note=f"{note} Level difference {nearest:+g} dB.",
            )
        )  # fmt: skip
    both = pairs[pairs["caught"]]
    in_order = (both["note_t_s"] > both["first_note_t_s"]).to_numpy()
    voiced = both[np.isfinite(both["velocity"]) & np.isfinite(both["first_velocity"])]
    kept, tolerance = _level_kept(voiced)
    for name, good, rows, note in (
        ("flam_order_kept", in_order, both, "Pairs with two notes whose notes come in the order "
         "of the strokes."),
        ("flam_level_kept", kept, voiced, "Pairs with two notes whose difference of velocity has "
         f"the sign and, within {tolerance:.3g} levels, the size that it has at long gaps."),
    ):  # fmt: skip
        found.append(
            measured(
                name, "percent", interval.share(int(good.sum()), good.size, confidence), scale=100,
                confidence=confidence, count=good.size, rows=stroke_numbers(rows),
                excluded=chosen.excluded, stage=stage, note=note,
                details={"hits": int(good.sum()), "gaps_ms": (1e3 * rows["gap_s"]).tolist(),
                         "kept": good.tolist()},
            )
        )  # fmt: skip
    return found
