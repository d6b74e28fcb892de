"""Changes that cancel over all strokes: found at the force where they are, and not where none is."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from analysis.cell_means import of_cell_means
from analysis.cells import at_forces
from analysis.compare import ALWAYS, Comparison, compare
from analysis.force_change import at_each_force, least_of_all
from analysis.judged import Compared

FORCES_N = (2.0, 5.0, 10.0, 20.0, 30.0)
CANCELLING = (4.4, 5.0, 4.3, -0.4, -13.6)
"""Levels by which velocities move when an exponent of a curve becomes 0.7."""


def drawn(
    rng: np.random.Generator,
    each: int,
    *,
    up: tuple[float, ...] = (0.0,) * 5,
    later_ms: tuple[float, ...] = (0.0,) * 5,
    lost: tuple[float, ...] = (0.03, 0.005, 0.0, 0.0, 0.0),
) -> pd.DataFrame:
    """Draw ``each`` strokes a force, of two strikers that strike a little differently."""
    at = np.repeat(np.arange(5), each)
    striker = np.tile(["A", "B"], at.size)[: at.size]
    force, other = np.array(FORCES_N)[at], striker == "B"
    gone = rng.random(at.size) < np.array(lost)[at]
    latency = 4.0 + 3.0 / force + rng.uniform(0, 1, at.size) + 0.2 * other + np.array(later_ms)[at]
    velocity = 15 + 20 * np.log2(force) + 2.0 * other + rng.normal(0, 1.5, at.size)
    velocity = np.round(velocity + np.array(up)[at]).clip(1, 127)
    outcome = np.where(gone, "lost", np.where(rng.random(at.size) < 0.005, "double", "clean"))
    return pd.DataFrame(
        {
            "strike": np.arange(at.size),
            "stage": "ladder",
            "striker": striker,
            "force_n": force,
            "latency_s": np.where(gone, np.nan, latency / 1000.0),
            "velocity": np.where(gone, np.nan, velocity),
            "outcome": outcome,
            "valid": True,
        }
    )


def of(found: Comparison, name: str) -> Compared:
    """One measure of a comparison."""
    return next(one for one in found.measures if one.name == name)


def test_no_change_is_seldom_worse_at_any_force() -> None:
    """Of 300 unchanged pairs at most 5 % (and chance) test as worse, few forces being few tests.

    What lies inside its margin is equal whatever its test says, so the tests themselves are
    counted too.
    """
    rng = np.random.default_rng(41)
    found = [compare(drawn(rng, 24), drawn(rng, 24)) for _ in range(300)]
    # 5 %, and 2.3 standard errors of 300 draws
    most = 15 + 9
    assert sum(one.verdict == "worse" for one in found) <= most
    assert sum(any(m.p_worse <= 0.05 for m in one.measures) for one in found) <= most
    for name in ("velocity", "latency_median"):
        # at 24 strokes a force
        assert sum(of(one, name).verdict == "equal" for one in found) >= 285


def test_changes_that_cancel_are_found_at_their_force() -> None:
    """A changed exponent is worse in each of 40 pairs of 24 strokes a force, at the hardest one."""
    rng = np.random.default_rng(42)
    for _ in range(40):
        found = compare(drawn(rng, 24), drawn(rng, 24, up=CANCELLING))
        velocity = of(found, "velocity")
        assert velocity.over_all == "equal"
        assert velocity.verdict == found.verdict == "worse"
        most = velocity.most_changed
        assert most is not None
        assert most.force == "30 N"
        assert most.low < most.difference < most.high < 0
        words = {one.force: one.verdict for one in velocity.forces}
        assert words["20 N"] == "equal"


def test_latency_that_grows_at_soft_strokes_alone_is_worse() -> None:
    """Soft strokes 1.2 ms slower, hard ones faster: no better, but worse where it is."""
    rng = np.random.default_rng(43)
    found = compare(drawn(rng, 40), drawn(rng, 40, later_ms=(1.2, 0.2, -0.2, -0.3, -0.8)))
    latency = of(found, "latency_median")
    assert latency.over_all == "equal"
    assert (latency.verdict, latency.most_changed.force) == ("worse", "2 N")  # type: ignore[union-attr]
    faster = compare(drawn(rng, 40), drawn(rng, 40, later_ms=(-1.2,) * 5))
    assert of(faster, "latency_median").verdict == "better"


@pytest.mark.parametrize(
    ("each", "share", "least", "hidden"), [(24, 0.5, 36, 0), (48, 0.4, 38, 25)]
)
def test_a_build_that_loses_the_softest_force_is_worse(
    each: int, share: float, least: int, hidden: int
) -> None:
    """Of 31 forces the softest alone loses strokes: some 1 % of all, inside the margin of 2 %."""
    rng = np.random.default_rng(44)
    found = []
    for _ in range(40):
        sides = []
        for chance in (0.02, share):
            force = np.repeat(np.linspace(1.0, 31.0, 31), each)
            gone = rng.random(force.size) < np.where(force == 1.0, chance, 0.0)
            sides.append(
                pd.DataFrame(
                    {
                        "strike": np.arange(force.size),
                        "force_n": force,
                        "outcome": np.where(gone, "lost", "clean"),
                        "velocity": 60.0,
                        "latency_s": 0.004,
                        "valid": True,
                    }
                )
            )
        found.append(compare(*sides, measures=ALWAYS).measures[3])
    worse = [one for one in found if one.verdict == "worse"]
    assert len(worse) >= least
    assert {one.most_changed.force for one in worse if one.most_changed} == {"1 N"}
    # over all strokes it drowns
    assert sum(one.over_all == "equal" for one in found) >= hidden


def test_forces_of_few_strokes_are_put_together() -> None:
    """Neighbours are, until 8 a side; the last few go to those before; widths stand in for forces."""
    force = np.repeat([1.0, 2.0, 3.0, 4.0, 5.0], [4, 4, 9, 8, 3])
    table = pd.DataFrame({"force_n": force})
    found, before, after = at_forces(table, table)
    assert [str(one) for one in found] == ["1 to 2 N", "3 N", "4 to 5 N"]
    assert np.bincount(before.astype(int)).tolist() == [8, 9, 11]
    assert (before == after).all()
    widths = pd.DataFrame({"force_n": np.nan, "width_us": 1000.0 * force})
    assert [str(one) for one in at_forces(widths, widths)[0]][1] == "3000 µs"
    unknown = pd.DataFrame({"force_n": [np.nan]})
    assert at_forces(unknown, unknown)[0] == []
    one = at_forces(table[:3], table[:3])[0]
    assert [str(each) for each in one] == ["1 N"]


def test_one_force_is_judged_over_all_alone() -> None:
    """With one force the test at forces would only repeat the other."""
    rng = np.random.default_rng(45)
    table = drawn(rng, 20).query("force_n == 5.0")
    assert at_each_force("velocity", table, table, 0.95) == ()


def test_means_of_one_cell_are_welchs() -> None:
    """The peer: scipy.stats.ttest_ind(equal_var=False) with its confidence interval."""
    rng = np.random.default_rng(46)
    x, y = rng.normal(0, 1, 20), rng.normal(0.5, 3, 35)
    found = of_cell_means(x, y, (np.zeros(20), np.zeros(35)))
    peer = stats.ttest_ind(y, x, equal_var=False)
    bounds = peer.confidence_interval(0.95)
    assert (found.low, found.high) == pytest.approx((bounds.low, bounds.high))
    more = stats.ttest_ind(y, x, equal_var=False, alternative="greater")
    assert found.p_more == pytest.approx(more.pvalue)


def test_what_differs_between_cells_costs_nothing() -> None:
    """Two strikers 50 levels apart: as sharp as if they were one; single values fall together."""
    rng = np.random.default_rng(47)
    x, y = rng.normal(0, 1, 24), rng.normal(1, 1, 24)
    cell = np.repeat([0.0, 1.0], 12)
    apart = of_cell_means(x + 50 * cell, y + 50 * cell, (cell, cell))
    alike = of_cell_means(x, y, (cell, cell))
    assert apart.high - apart.low == pytest.approx(alike.high - alike.low)
    single = np.arange(24.0)
    together = of_cell_means(x, y, (single, single))
    one = of_cell_means(x, y, (0 * single, 0 * single))
    assert together.low == pytest.approx(one.low)
    assert math.isnan(of_cell_means(x[:1], y[:1], (single[:1], single[:1])).low)


def test_the_least_p_of_many_is_corrected_by_what_each_can_reach() -> None:
    """Chances of the least of all, by counting all outcomes of three small binomial-like tests."""
    free = least_of_all([0.01, 0.5, 0.9], [None] * 3)
    assert free[0] == pytest.approx(1 - 0.99**3)
    coins = np.array([1.0, 0.5, 0.25])
    found = least_of_all([0.25, 1.0, 0.01], [coins, np.array([1.0]), None])
    # p is 0.25 or less: by the coins in one case of four, never by the second, by the third so too
    assert found[0] == pytest.approx(1 - 0.75 * 0.75)
    # the coins and the second never reach 0.01
    assert found[2] == pytest.approx(0.01)
    assert least_of_all([math.nan, math.nan], [None, None]).tolist() == [1.0, 1.0]
    assert least_of_all([math.nan, 0.02], [None, None])[1] == pytest.approx(0.02)
