"""Latencies that changed in a way that no single figure shows."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from analysis.latency_change import change_note, unlike_distributions


def test_the_exact_example() -> None:
    """{1,2,3,4} and {3,4,5,6}: D = 1/2, p = 54/70 (counted out; scipy's exact method agrees)."""
    found = unlike_distributions([1, 2, 3, 4], [3, 4, 5, 6])
    assert found.distance == 0.5
    assert found.p == pytest.approx(54 / 70, rel=1e-9)


def table(latency_s: object, force_n: object = 5.0) -> pd.DataFrame:
    """Strokes of one stage and striker."""
    latency_s = np.asarray(latency_s, dtype=float)
    return pd.DataFrame({"latency_s": latency_s}).assign(stage="s", striker="A", force_n=force_n)


def test_the_share_of_false_notes_is_the_risk_at_most() -> None:
    """Drawn from one distribution 600 times, at most 5 % (and 3 standard errors) are noted."""
    rng = np.random.default_rng(5)
    noted = sum(
        bool(change_note(*map(table, rng.gamma(4.0, 1e-3, (2, 60))), 0.05, {"equal"}))
        for _ in range(600)
    )
    assert 0 < noted <= 600 * 0.05 + 3 * math.sqrt(600 * 0.05 * 0.95)


def test_lost_soft_strokes_alone_are_no_change_of_latency() -> None:
    """Six forces, soft ones slower; of the softer half most are lost afterwards: at most 5 % noted."""
    rng = np.random.default_rng(7)
    force = np.repeat([2.0, 4.0, 6.0, 8.0, 10.0, 12.0], 20)
    kept = np.concatenate([np.arange(5), np.arange(20, 25), np.arange(40, 45), np.arange(60, 120)])
    pooled = noted = 0
    for _ in range(200):
        x, y = 4e-3 + 1e-2 / force + rng.normal(0.0, 2e-4, (2, force.size))
        noted += bool(change_note(table(x, force), table(y[kept], force[kept]), 0.05, {"equal"}))
        pooled += unlike_distributions(x, y[kept]).p <= 0.05
    # without cells it is taken for a change
    assert pooled > 100
    assert noted <= 200 * 0.05 + 3 * math.sqrt(200 * 0.05 * 0.95)


@pytest.mark.parametrize("cells", [1, 20])
def test_one_hump_that_became_two_is_noted(cells: int) -> None:
    """Mean and spread stay, whatever force adds; no note where a figure says it already."""
    rng = np.random.default_rng(6)
    force = np.repeat(np.linspace(2.0, 12.0, cells), 400 // cells)
    before = rng.normal(5e-3, 1e-3, 400)
    after = 5e-3 + rng.choice([-1.0, 1.0], 400) * 0.95e-3 + rng.normal(0.0, 0.3e-3, 400)
    sides = [table(one + 1e-2 / force, force) for one in (before, after)]
    note = change_note(*sides, 0.05, {"equal", "undecided"})
    assert "distributed otherwise" in note
    assert change_note(*sides, 0.05, {"equal", "worse"}) == ""
    assert change_note(*sides, 0.05, set()) == ""


@pytest.mark.parametrize("side", [[], [math.nan] * 30, [5e-3] * 19])
def test_nothing_is_said_of_too_few(side: list[float]) -> None:
    """Empty, NaN and few latencies give no note."""
    many = table(np.full(400, 9e-3))
    assert change_note(table(side), many, 0.05, {"equal"}) == ""
    assert change_note(many, table(side), 0.05, {"equal"}) == ""
    if not np.isfinite(side).any():
        assert all(map(math.isnan, unlike_distributions(side, [1.0, 2.0])))
