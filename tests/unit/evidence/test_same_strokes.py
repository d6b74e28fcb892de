"""Runs whose strikers did the same, stroke for stroke, and runs whose strikers did not."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.same_strokes import LEAST_STROKES, caution, pairs_of_same, same_strokes

SCATTER_S = 60e-6
"""Of flights of one striker at one force (common practice, no source)."""


def run(
    flights: np.random.Generator, ears: np.random.Generator, strokes: int = 60, rise_s: float = 0.0
) -> pd.DataFrame:
    """A run: flights that scatter and grow as the coil warms; onsets heard to a few microseconds."""
    force = np.resize((2.0, 8.0, 20.0), strokes)
    drive = 0.2 * np.arange(strokes)
    flight = 0.012 - 2e-4 * force + 4e-6 * np.arange(strokes)
    onset = drive + flight + flights.normal(0, SCATTER_S, strokes)
    return pd.DataFrame(
        {
            "strike": np.arange(strokes),
            "stage": "ladder",
            "striker": "A",
            "force_n": force,
            "width_us": 2000.0,
            "drive_t_s": drive,
            "onset_t_s": onset + rise_s / force + ears.normal(0, 4e-6, strokes),
        }
    )


def rng(seed: int) -> np.random.Generator:
    """Chance of its own for each seed."""
    return np.random.default_rng(seed)


def test_one_seed_is_told_from_two() -> None:
    """The same flights heard twice, on another pad too, are the same strokes; new ones are not."""
    first = run(rng(1), rng(2))
    assert same_strokes(first, run(rng(1), rng(3)))
    assert same_strokes(first, run(rng(1), rng(3), rise_s=2e-3))
    others = [same_strokes(first, run(rng(seed), rng(99 + seed))) for seed in range(10, 210)]
    assert not any(others)


def test_a_missed_onset_is_no_unlikeness() -> None:
    """One run lost two contacts, another took one for a spike long before: still the same."""
    first, second = run(rng(1), rng(2), 200), run(rng(1), rng(3), 200)
    second.loc[[5, 17], "onset_t_s"] = np.nan
    second.loc[30, "onset_t_s"] -= 0.05
    assert same_strokes(first, second)


def test_too_few_and_other_plans_tell_nothing() -> None:
    """Few strokes, no onsets, an empty table, no strike in common: never called the same."""
    first = run(rng(1), rng(2))
    assert not same_strokes(first.head(LEAST_STROKES), first.head(LEAST_STROKES))
    assert not same_strokes(first, first.assign(onset_t_s=np.nan))
    assert not same_strokes(first, first.iloc[:0])
    assert not same_strokes(first, first.assign(strike=first["strike"] + 1000))


def test_the_caution_names_the_runs_and_what_to_do() -> None:
    """All pairs are named, with the way out; without any nothing is said."""
    tables = {"a": run(rng(1), rng(2)), "b": run(rng(7), rng(2)), "c": run(rng(1), rng(4))}
    pairs = pairs_of_same(tables)
    assert pairs == [("a", "c")]
    assert caution(pairs).startswith("a and c")
    assert "another seed" in caution(pairs)
    assert caution([]) == ""
