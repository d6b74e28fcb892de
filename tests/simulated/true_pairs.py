"""What truly came of each pair and each roll, and the rate up to which rolls truly are clean."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

import numpy as np
from scipy.optimize import isotonic_regression
from struck import Truth
from true_gap import crossing

from analysis.pipeline import Analysis


def own_notes(truth: Truth) -> Counter[int]:
    """Contact -> its notes of the struck zone."""
    return Counter(row["contact"] for row in truth.content["notes"] if row["note"] == 38)


def pairs_of(truth: Truth) -> tuple[np.ndarray, np.ndarray]:
    """True gap (ms) of each pair whose first stroke has a note, and whether the second has one."""
    onset_s, strike_of = truth.column("contacts", "onset_s"), truth.column("contacts", "strike")
    notes = own_notes(truth)
    assert (strike_of == np.arange(len(strike_of))).all()
    first = np.arange(0, len(strike_of), 2)
    first = first[[notes[row] > 0 for row in first]]
    return 1e3 * (onset_s[first + 1] - onset_s[first]), np.array([notes[r + 1] > 0 for r in first])


def rolls_of(analysis: Analysis, truth: Truth) -> Iterable[tuple[float, bool]]:
    """Programmed rate of each stroke in a roll but the first, and whether it has just one note."""
    notes = own_notes(truth)
    row_of = {int(s): row for row, s in enumerate(truth.column("contacts", "strike"))}
    strokes = analysis.table.strokes
    for stroke in strokes[(strokes["pattern"] == "roll") & (strokes["place"] > 0)].itertuples():
        yield stroke.rate_per_s, notes[row_of[stroke.strike]] == 1


def true_rate(runs: list[tuple[Analysis, Truth]], chance: float) -> float:
    """Rate up to which the chance is reached in the pooled runs; infinite if at all of them."""
    clean: dict[float, list[bool]] = {}
    for analysis, truth in runs:
        for rate, just_one in rolls_of(analysis, truth):
            clean.setdefault(rate, []).append(just_one)
    rates = np.array(sorted(clean))
    share = np.array([np.mean(clean[rate]) for rate in rates])
    if share.min() >= chance:
        return np.inf
    falling = isotonic_regression(share, increasing=False).x
    found = float(np.interp(-chance, -falling, rates))
    assert rates[0] < found < rates[-1]
    return found


def true_rate_by_gaps(runs: list[tuple[Analysis, Truth]], chance: float) -> float:
    """Inverse of the true gap since the last stroke that sounded, from which the chance is reached.

    As the measure is defined (protocols/MEASURES.md); finer than the steps of the programmed rates.
    """
    gaps_s, clean = [], []
    for analysis, truth in runs:
        notes, onset_s = own_notes(truth), truth.column("contacts", "onset_s")
        row_of = {int(s): row for row, s in enumerate(truth.column("contacts", "strike"))}
        strokes = analysis.table.strokes
        for _, roll in strokes[strokes["pattern"] == "roll"].groupby("group"):
            last_s = np.nan
            for number in roll.sort_values("place")["strike"]:
                row = row_of[int(number)]
                if np.isfinite(last_s):
                    gaps_s.append(onset_s[row] - last_s)
                    clean.append(notes[row] == 1)
                if notes[row]:
                    last_s = onset_s[row]
    return 1 / crossing(np.array(gaps_s), np.array(clean), chance)
