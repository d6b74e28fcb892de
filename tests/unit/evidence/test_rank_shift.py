"""Shifts by ranks within cells, against all exchanges counted out, a peer, and drawn cells."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy import stats

from analysis.rank_shift import of_places


def test_the_variance_is_that_of_all_exchanges_within_cells() -> None:
    """Three cells of 2 against 2: mean and variance over all 6³ exchanges (combinatorics)."""
    rng = np.random.default_rng(1)
    values = rng.normal(0.0, 1.0, (3, 4)) + np.array([[0.0], [5.0], [20.0]])
    centred = values - np.median(values, axis=1, keepdims=True)
    ranks = stats.rankdata(centred).reshape(3, 4)
    choices = list(itertools.combinations(range(4), 2))
    sums = [
        sum(ranks[cell, list(chosen)].sum() for cell, chosen in enumerate(each))
        for each in itertools.product(choices, repeat=3)
    ]
    seen = ranks[:, 2:].sum()
    expected = stats.norm.sf((seen - 0.5 - np.mean(sums)) / np.std(sums))
    cell = np.repeat(np.arange(3), 2)
    found = of_places(values[:, :2].ravel(), values[:, 2:].ravel(), cells=(cell, cell))
    assert found.p_more == pytest.approx(expected, rel=1e-9)


def test_pairs_are_the_signed_rank_test() -> None:
    """Cells of one against one are Wilcoxon's pairs: scipy's p, and Walsh averages' median."""
    rng = np.random.default_rng(2)
    before = rng.normal(0.0, 10.0, 80)
    after = before + rng.normal(0.3, 1.0, 80)
    pair = np.arange(80)
    found = of_places(before, after, cells=(pair, pair))
    peer = stats.wilcoxon(after, before, alternative="greater", method="approx", correction=True)
    assert found.p_more == pytest.approx(peer.pvalue, rel=0.03)
    step = after - before
    walsh = 0.5 * (step[:, None] + step[None, :])[np.triu_indices(80)]
    assert found.value == pytest.approx(np.median(walsh), abs=0.03)


@pytest.mark.parametrize("strokes", [2, 4])
def test_what_differs_between_cells_costs_nothing(strokes: int) -> None:
    """Twenty cells 1 apart each: the test keeps its size, the interval covers, both are narrow."""
    rng = np.random.default_rng(strokes)
    cell = np.repeat(np.arange(20), strokes)
    covered = called = 0
    widths = []
    draws = 100
    for _ in range(draws):
        before, after = (cell + rng.normal(0.0, 0.1, cell.size) for _ in range(2))
        found = of_places(before, after + 0.05, cells=(cell, cell))
        covered += found.low <= 0.05 <= found.high
        called += of_places(before, after, cells=(cell, cell)).p_more <= 0.05
        widths.append(found.high - found.low)
    # three standard errors of so many draws
    assert called <= draws * 0.05 + 3 * np.sqrt(draws * 0.05 * 0.95)
    assert covered >= draws * 0.95 - 3 * np.sqrt(draws * 0.05 * 0.95)
    ideal = 2 * 1.96 * 0.1 * np.sqrt(2 / cell.size)
    assert np.mean(widths) == pytest.approx(ideal, rel=0.2)
    assert of_places(before, after).high - of_places(before, after).low > 5 * ideal


def test_one_cell_is_no_cell() -> None:
    """All in one cell: the plain test's p and interval, but for the estimate of their spread."""
    rng = np.random.default_rng(5)
    before, after = rng.normal(0, 1, 60), rng.normal(0.4, 1, 50)
    plain = of_places(before, after)
    one = of_places(before, after, cells=(np.zeros(60), np.zeros(50)))
    assert one.p_more == pytest.approx(plain.p_more, rel=1e-6)
    assert one.value == pytest.approx(plain.value, abs=1e-6)
    assert (one.low, one.high) == pytest.approx((plain.low, plain.high), abs=0.02)


def test_nothing_shown_where_nothing_varies() -> None:
    """All alike within cells, NaN, or one side empty: no difference is shown."""
    cell = np.repeat([0, 1], 20)
    level = cell.astype(float)
    assert of_places(level, level, cells=(cell, cell)).p_more == 1.0
    holed = np.where(np.arange(40) == 3, np.nan, level)
    assert of_places(holed, level, cells=(cell, cell)).value == 0.0
    assert not of_places([], [1.0], cells=([], [0])).within(1e9)
