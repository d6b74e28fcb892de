"""Latencies that changed in a way that no single figure shows."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.latency_change import change_note, unlike_distributions


def test_the_exact_example() -> None:
    """{1,2,3,4} and {3,4,5,6}: D = 1/2, p = 54/70 (counted out; scipy's exact method agrees)."""
    found = unlike_distributions([1, 2, 3, 4], [3, 4, 5, 6])
    assert found.distance == 0.5
    assert found.p == pytest.approx(54 / 70, rel=1e-9)


def test_the_share_of_false_notes_is_the_risk_at_most() -> None:
    """Drawn from one distribution 600 times, at most 5 % (and 3 standard errors) are noted."""
    rng = np.random.default_rng(5)
    noted = sum(
        bool(change_note(*rng.gamma(4.0, 1e-3, (2, 60)), 0.05, {"equal"})) for _ in range(600)
    )
    assert 0 < noted <= 600 * 0.05 + 3 * math.sqrt(600 * 0.05 * 0.95)


def test_one_hump_that_became_two_is_noted() -> None:
    """Mean and spread stay; no note where a figure says it already, or none was asked for."""
    rng = np.random.default_rng(6)
    before = rng.normal(5e-3, 1e-3, 400)
    after = 5e-3 + rng.choice([-1.0, 1.0], 400) * 0.95e-3 + rng.normal(0.0, 0.3e-3, 400)
    note = change_note(before, after, 0.05, {"equal", "undecided"})
    assert "distributed otherwise" in note
    assert change_note(before, after, 0.05, {"equal", "worse"}) == ""
    assert change_note(before, after, 0.05, set()) == ""


@pytest.mark.parametrize("side", [[], [math.nan] * 30, [5e-3] * 19])
def test_nothing_is_said_of_too_few(side: list[float]) -> None:
    """Empty, NaN and few latencies give no note."""
    assert change_note(side, np.full(400, 9e-3), 0.05, {"equal"}) == ""
    assert change_note(np.full(400, 9e-3), side, 0.05, {"equal"}) == ""
    if not np.isfinite(side).any():
        assert all(map(math.isnan, unlike_distributions(side, [1.0, 2.0])))
