"""Differences between two samples against published tables and peers."""

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.tests import test_tost as frozen

from analysis import equivalence
from analysis.rank_shift import of_places

# Student 1908, sleep gained under two drugs (data as in R's documentation, from memory)
SLEEP = (
    (0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0),
    (1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4),
)


@pytest.mark.parametrize(
    ("counts", "bounds"),
    [
        ((48, 80, 56, 70), (0.0524, 0.3339)),
        ((3, 10, 9, 10), (0.1705, 0.8090)),
        ((2, 7, 6, 7), (0.0582, 0.8062)),
        ((0, 29, 5, 56), (-0.0381, 0.1926)),
        ((0, 20, 0, 10), (-0.1611, 0.2775)),
        ((0, 10, 0, 10), (-0.2775, 0.2775)),
        ((0, 20, 10, 10), (0.6791, 1.0000)),
        ((0, 10, 10, 10), (0.6075, 1.0000)),
    ],
)
def test_newcombe_gives_its_authors_table(
    counts: tuple[int, int, int, int], bounds: tuple[float, float]
) -> None:
    """Newcombe 1998, Statistics in Medicine 17:873, table II, method 10, examples a to h."""
    found = equivalence.of_shares(*counts)
    assert (found.low, found.high) == pytest.approx(bounds, abs=5e-5)


def test_newcombe_gives_a_second_published_example() -> None:
    """Fagerland et al. 2015: 7/34 against 1/34 gives 0.019 to 0.34."""
    found = equivalence.of_shares(1, 34, 7, 34)
    assert found.low == pytest.approx(0.019, abs=5e-4)
    assert found.high == pytest.approx(0.34, abs=5e-3)


def test_fisher_gives_the_tea_tasting() -> None:
    """Fisher's [[3, 1], [1, 3]]: one-sided 17/70 (from memory; combinatorics)."""
    found = equivalence.of_shares(1, 4, 3, 4)
    assert found.p_more == pytest.approx(17 / 70)
    assert found.p_less == pytest.approx(69 / 70)
    assert 2.0 * found.p_more == pytest.approx(0.485714, abs=5e-7)


def test_rank_test_gives_the_handbooks_data() -> None:
    """NIST e-Handbook 7.3.5 data, with a tie: U = 40, two-sided p 0.1885 (corrected), 0.1776 not.

    11 by 11 values: half of all pairs is 60.5. Taking the half of the correction back from the
    distance of U leads from the one p to the other for U = 40 alone.
    """
    a = (0.55, 0.67, 0.43, 0.51, 0.48, 0.60, 0.71, 0.53, 0.44, 0.65, 0.75)
    b = (0.49, 0.68, 0.59, 0.72, 0.67, 0.75, 0.65, 0.77, 0.62, 0.48, 0.59)
    found = of_places(a, b)
    assert 2.0 * found.p_more == pytest.approx(0.1885, abs=5e-5)
    uncorrected = stats.norm.isf(found.p_more) * (60.5 - 40.0) / (60.5 - 40.0 - 0.5)
    assert 2.0 * stats.norm.sf(uncorrected) == pytest.approx(0.1776, abs=5e-5)
    assert found.value > 0.0 > found.low


def test_rank_test_is_exact_for_few() -> None:
    """All of four above all of four others: one-sided p 1/70 (combinatorics)."""
    found = of_places([1.0, 2.0, 3.0, 4.0], [5.0, 6.0, 7.0, 8.0])
    assert found.p_more == pytest.approx(1 / 70)
    assert 2.0 * found.p_more == pytest.approx(0.0285714, abs=5e-8)
    assert found.value == pytest.approx(4.0)
    # of 70 orders, one has U = 0: the extremes bound it at 2/70 two-sided, and not at 1 %
    assert found.low == pytest.approx(1.0)
    assert of_places([1.0, 2.0], [3.0, 4.0]).high == math.inf


def test_shift_gives_a_textbook_example() -> None:
    """Hollander and Wolfe 1973, p. 69, water permeability: shift 0.305 (from memory)."""
    late = (0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46)
    early = (1.15, 0.88, 0.90, 0.74, 1.21)
    found = of_places(early, late)
    assert found.value == pytest.approx(0.305, abs=5e-4)
    assert found.p_more == pytest.approx(0.1272, abs=5e-5)


@pytest.mark.parametrize("size", [8, 60])
def test_shift_interval_is_the_peers_test_turned_round(size: int) -> None:
    """Just inside each bound scipy's rank test does not reject that shift, just outside it does."""
    rng = np.random.default_rng(size)
    x, y = rng.normal(0, 1, size), rng.normal(0.7, 1, size + 1)
    found = of_places(x, y)
    inside, outside = 0.05 - 0.0025, 0.05 + 0.0025
    for bound, inward in ((found.low, 1.0), (found.high, -1.0)):
        p_in = stats.mannwhitneyu(y - (bound + inward * 1e-6), x).pvalue
        p_out = stats.mannwhitneyu(y - (bound - inward * 1e-6), x).pvalue
        assert p_in >= inside
        assert p_out <= outside


def test_t_intervals_give_students_data() -> None:
    """Paired t -4.0621, 9 df, -2.4599 to -0.7001; Welch t -1.8608, 17.776 df, p 0.07939."""
    second_first = equivalence.of_means(SLEEP[1], SLEEP[0], pairing="paired")
    assert (second_first.low, second_first.high) == pytest.approx((-2.4599, -0.7001), abs=5e-5)
    assert second_first.value / second_first.standard_error == pytest.approx(-4.0621, abs=5e-5)
    assert 2.0 * second_first.p_less == pytest.approx(0.002833, abs=5e-7)
    welch = equivalence.of_means(SLEEP[1], SLEEP[0])
    assert welch.value / welch.standard_error == pytest.approx(-1.8608, abs=5e-5)
    assert 2.0 * welch.p_less == pytest.approx(0.07939, abs=5e-6)
    half = (welch.high - welch.low) / 2.0 / welch.standard_error
    assert half == pytest.approx(stats.t.ppf(0.975, 17.776), abs=1e-5)


def test_equivalence_gives_the_frozen_results() -> None:
    """R's package equivalence, frozen in statsmodels: p 0.441203, 0.431794 and 0.00316688."""
    clinic = np.asarray(frozen.clinic)
    treated, control = clinic[:15], clinic[15:]
    first, second = treated[:, 3], control[:, 3]
    paired = equivalence.of_means(first, second, pairing="paired")
    assert abs(paired.value) == pytest.approx(0.562667, abs=5e-7)
    assert paired.standard_error == pytest.approx(0.247828, abs=5e-7)
    assert equivalence.equivalence_p(paired, 0.6, 14) == pytest.approx(0.441203, abs=5e-7)
    assert not paired.within(0.6)
    welch = equivalence.of_means(first, second)
    assert equivalence.equivalence_p(welch, 0.6, 24.1100) == pytest.approx(0.431794, abs=5e-6)
    small = equivalence.of_means(treated[:, 2], control[:, 2], pairing="paired")
    assert abs(small.value) == pytest.approx(0.164667, abs=5e-7)
    assert equivalence.equivalence_p(small, 0.6, 14) == pytest.approx(0.00316688, abs=5e-8)
    assert small.within(0.6)


def test_bootstrap_gives_the_law_school_error() -> None:
    """Efron and Tibshirani 1993, ch. 3 and 6 (from memory): r 0.776, bootstrap error about 0.13."""
    lsat = (576, 635, 558, 578, 666, 580, 555, 661, 651, 605, 653, 575, 545, 572, 594)
    gpa = (3.39, 3.30, 2.81, 3.03, 3.44, 3.07, 3.00, 3.43, 3.36, 3.13, 3.12, 2.74, 2.76, 2.88, 2.96)

    def correlation(rows: np.ndarray) -> np.ndarray:
        centred = rows - rows.mean(axis=1, keepdims=True)
        product = (centred[..., 0] * centred[..., 1]).sum(axis=1)
        return product / np.sqrt((centred**2).sum(axis=1).prod(axis=-1))

    rows = np.column_stack([lsat, gpa])
    assert correlation(rows[None])[0] == pytest.approx(0.7764, abs=5e-5)
    error = equivalence.bootstrap_error(rows, correlation, resamples=10_000)
    assert error == pytest.approx(0.1348, abs=0.006)


def test_holm_agrees_with_the_peer() -> None:
    """Adjusted p values are statsmodels'; a test not made counts as 1."""
    p = np.random.default_rng(2).uniform(0, 0.1, 9)
    assert equivalence.holm(p) == pytest.approx(multipletests(p, method="holm")[1])
    assert equivalence.holm([0.02, math.nan]) == pytest.approx([0.04, 1.0])


def test_too_little_is_never_shown() -> None:
    """Empty, NaN or one value: no difference shown, no equivalence shown."""
    for found in (
        of_places([], [1.0]),
        of_places([math.nan], [1.0]),
        equivalence.of_means([1.0], [1.0]),
        equivalence.of_shares(0, 0, 0, 9),
        equivalence.of_statistics([1.0] * 5, [1.0] * 5, lambda rows: rows.std(axis=1)),
    ):
        assert not found.within(1e9)
        assert not found.p_more < 1.0
