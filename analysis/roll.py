"""Rolls: the fastest steady rate at which each stroke still yields exactly one note.

A module with a fixed dead time turns a steady roll into a comb: it keeps one stroke of
``ceil(rate * dead_time)``, so the share kept over the programmed rate is no smooth curve. Over the
*measured gap* to the stroke that last sounded it is one: kept above the dead time, lost below. The
chance of a clean stroke is therefore fitted over the gaps of all strokes, and turned into a rate
by ``rate = 1 / gap``. For a dead time that each stroke starts anew (an extending one) the gap to
the stroke just before is what counts; logistic curves over both are fitted, and the better of the
two is taken and named. The rate itself is read from shares that are only taken to be monotone.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis import interval
from analysis.crossing import METHOD, Crossing, crossing
from analysis.interval import Interval
from analysis.measure import Measure
from analysis.psychometric import CurveFit, fit_curve
from analysis.selection import NOTED, Selection, contacts, measured

Array = NDArray[np.float64]
Since = Literal["note", "stroke"]

_CHANCES = {"resolvable_rate_95": 0.95, "resolvable_rate_99": 0.99}
_WIDTH_LEAST = 0.0004  # of the rise, in log gap: 20 us of 50 ms, what the onsets blur
_BIN = 0.0001  # in log gap: gaps nearer than 0.01 % are one point of the fit
_CLEARLY_BETTER = 3.0  # in log likelihood, for the gap since the stroke just before
_FIRST = "first stroke of its roll: nothing before it"
_UNKNOWN = "what came before it in its roll is not known"


@dataclasses.dataclass(frozen=True)
class Gaps:
    """Gap before each stroke, and whether it came out clean.

    Attributes
    ----------
    chosen
        The strokes.
    since_note_s, since_stroke_s
        Gap to the last stroke of the roll that sounded, and to the one just before.
    clean
        Exactly one note.
    """

    chosen: Selection
    since_note_s: Array
    since_stroke_s: Array
    clean: NDArray[np.bool_]


def roll_gaps(strokes: pd.DataFrame) -> Gaps:
    """Return the measured gaps of all strokes in rolls.

    A stroke's time is its onset; where no onset of a roll is known, the drive. Strikes without
    contact count as not made. After an invalid stroke the module's state isn't known until the
    next note, so the strokes up to there are left out.
    """
    rolls = strokes[(strokes["pattern"] == "roll") & (strokes["strike"] >= 0)]
    rolls = rolls[rolls["outcome"] != "no_contact"].sort_values(["group", "place"])
    at = rolls["onset_t_s"].where(np.isfinite(rolls["onset_t_s"]), rolls["drive_t_s"])
    known = rolls["valid"].astype(bool) & (rolls["outcome"] != "invalid")
    noted = known & rolls["outcome"].isin(NOTED)
    # -inf marks "not known": it makes the gap after it infinite until the next known note.
    group = rolls["group"]
    last_note = at.where(noted).mask(~known, -np.inf).groupby(group).shift().groupby(group).ffill()
    last_stroke = at.where(known, -np.inf).groupby(group).shift()
    chosen = contacts(rolls)
    keep = rolls.index.isin(chosen.rows.index)
    since_note = (at - last_note)[keep].to_numpy(dtype=np.float64)
    since_stroke = (at - last_stroke)[keep].to_numpy(dtype=np.float64)
    first = np.isnan(since_stroke)
    rest = chosen.narrowed(~first, _FIRST)
    usable = np.isfinite(since_note[~first]) & (since_note[~first] > 0) & (since_stroke[~first] > 0)
    rest = rest.narrowed(usable, _UNKNOWN)
    return Gaps(
        rest,
        since_note[~first][usable],
        since_stroke[~first][usable],
        (rest.rows["outcome"] == "clean").to_numpy(),
    )


def _fit(gaps: Array, clean: NDArray[np.bool_]) -> CurveFit | None:
    return fit_curve(
        np.log(gaps), clean, np.ones(gaps.size), width_least=_WIDTH_LEAST, bin_width=_BIN
    )


def clean_by_rate(strokes: pd.DataFrame, confidence: float) -> list[dict[str, float]]:
    """Return, for each programmed rate, the share of clean strokes with its interval.

    All strokes of a roll count here, its first one too.
    """
    chosen = contacts(strokes[strokes["pattern"] == "roll"]).rows
    points = []
    for rate, rows in chosen.groupby("rate_per_s"):
        clean = int((rows["outcome"] == "clean").sum())
        found = interval.share(clean, len(rows), confidence)
        points.append(
            {
                "rate_per_s": float(str(rate)),
                "clean": clean,
                "strokes": len(rows),
                "kept": int(rows["outcome"].isin(NOTED).sum()),
                "share": found.value,
                "low": found.low,
                "high": found.high,
            }
        )
    return points


def comb(points: list[dict[str, float]], dead_time_s: float) -> dict[str, Any]:
    """Compare the share kept at each rate with ``1 / ceil(rate * dead_time)``.

    Returns
    -------
    dict
        ``rates_per_s``, ``kept``, ``expected``, and ``fits``: at two rates or more beyond
        1 / dead time, and at each of these the share kept lies within 0.1 of the comb. A rate so
        near to a tooth that 2 % more or less dead time changes the share isn't judged.
    """
    rates = np.array([point["rate_per_s"] for point in points])
    kept = np.array([point["kept"] / point["strokes"] for point in points])
    expected = 1 / np.maximum(np.ceil(rates * dead_time_s), 1)
    steady = np.ceil(rates * dead_time_s * 0.98) == np.ceil(rates * dead_time_s * 1.02)
    beyond = steady & (expected < 1)
    fits = bool(beyond.sum() >= 2 and np.all(np.abs(kept - expected)[beyond] <= 0.1))
    return {
        "rates_per_s": rates.tolist(),
        "kept": kept.tolist(),
        "expected": expected.tolist(),
        "fits": fits,
    }


def _rate_proven(rate: Array, clean: NDArray[np.bool_], chance: float, tail: float) -> float:
    """Return the fastest rate proven to reach `chance` without any curve; NaN if none.

    The chance does not rise with the rate, so at a given rate it is at least the mean chance of
    all faster strokes; that mean has an exact bound.
    """
    order = np.argsort(-rate)
    hits, trials = np.cumsum(clean[order]), np.arange(1, rate.size + 1)
    for i in np.unique(np.linspace(0, rate.size - 1, 60).astype(int)):
        if interval.share(int(hits[i]), int(trials[i]), 1 - 2 * tail).low >= chance:
            return float(rate[order[i]])
    return math.nan


def resolvable_rates(
    strokes: pd.DataFrame, *, confidence: float = 0.95, stage: str = ""
) -> list[Measure]:
    """Return resolvable_rate_95 and resolvable_rate_99, in strokes/s.

    From :func:`analysis.crossing.crossing` over the log of the gap. Where even the fastest strokes
    reach the chance the figure is that rate and ``bench_limited``; where even the slowest miss it,
    the value is NaN. No rolls: all NaN.
    """
    gaps = roll_gaps(strokes)
    since: Since = "note"
    used, fit = gaps.since_note_s, _fit(gaps.since_note_s, gaps.clean)
    other = _fit(gaps.since_stroke_s, gaps.clean)
    if fit and other and other.log_likelihood > fit.log_likelihood + _CLEARLY_BETTER:
        since, used, fit = "stroke", gaps.since_stroke_s, other
    points = clean_by_rate(strokes, confidence)
    details: dict[str, Any] = {"points": points, "gap_since": since}
    comb_note = ""
    if fit:
        dead_time_s = math.exp(fit.midpoint)
        details["dead_time_ms"] = dead_time_s * 1e3
        if since == "note":
            details["comb"] = comb(points, dead_time_s)
            if details["comb"]["fits"]:
                comb_note = (
                    f" The shares follow the comb of a fixed dead time of {dead_time_s * 1e3:.2f}"
                    " ms: the resolvable rate is its inverse."
                )
    found = []
    for name, chance in _CHANCES.items():
        reached = crossing(np.log(used), gaps.clean, chance, confidence, bin_width=_BIN)
        curve = {}
        if reached:
            rates, shares = np.exp(-reached.x).tolist(), reached.share.tolist()
            curve = {"curve": {"rate_per_s": rates, "chance": shares}}
        rate, limited, note = _rate_at(reached, used, gaps, chance, confidence)
        found.append(
            measured(
                name, "per_s", rate, confidence=confidence, count=gaps.clean.size,
                rows=gaps.chosen.strokes, excluded=gaps.chosen.excluded, stage=stage,
                bench_limited=limited, note=note + comb_note,
                details={**details, **curve, "chance": chance, "direction": "at_least"},
            )
        )  # fmt: skip
    return found


def _rate_at(
    found: Crossing | None, used_s: Array, gaps: Gaps, chance: float, confidence: float
) -> tuple[Interval, bool, str]:
    """Return the rate for a chance, whether the bench limits it, and a sentence."""
    if found is None:
        return Interval(math.nan, math.nan, math.nan, METHOD), False, "No rolls were struck."
    proven = "exact bound of the strokes at least as fast"
    clean = gaps.clean
    tail = (1 - confidence) / 2
    by_rate = pd.Series(gaps.since_stroke_s).groupby(gaps.chosen.rows["rate_per_s"].to_numpy())
    slowest, fastest = 1 / float(used_s.max()), 1 / float(by_rate.median().min())
    if clean.all():
        low = _rate_proven(1 / used_s, clean, chance, tail)
        note = f"Every stroke was clean up to {fastest:.4g} strokes/s, the fastest struck."
        return Interval(fastest, low, math.nan, proven), True, note
    if not clean.any():
        share = interval.share(0, clean.size, confidence)
        high = slowest if share.high < chance else math.nan
        return Interval(math.nan, math.nan, high, proven), False, "No stroke was clean."
    gap = found.interval
    fastest = 1 / float(np.quantile(used_s, 0.01))
    rate = Interval(math.exp(-gap.value), math.exp(-gap.high), math.exp(-gap.low), METHOD)
    if found.from_lowest or rate.value > fastest:
        low = rate.low if math.isfinite(rate.low) else _rate_proven(1 / used_s, clean, chance, tail)
        note = f"At least the fastest rate struck, {fastest:.4g} strokes/s."
        return Interval(fastest, min(low, fastest), math.nan, METHOD), True, note
    if found.never:
        note = (
            f"Even at the slowest, {slowest:.4g} strokes/s, the chance of a clean stroke is below "
            f"{100 * chance:g} %: {int((~clean).sum())} of {clean.size} strokes were not clean."
        )
        return Interval(math.nan, rate.low, rate.high, METHOD), False, note
    return rate, False, f"{100 * chance:g} % of strokes are clean up to this rate."
