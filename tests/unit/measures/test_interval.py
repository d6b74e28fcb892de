"""Intervals against published figures, other libraries and their own promise of coverage."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.rates import confint_poisson

from analysis import interval


@pytest.mark.parametrize(
    ("hits", "trials", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0, 0.1611), (1, 29, 0.0061, 0.1718)],
)  # fmt: skip
def test_score_interval_is_that_of_newcombe(hits, trials, low, high):
    """The score interval gives Newcombe 1998, Stat Med 17:857, Table I, method 3."""
    found = interval.share(hits, trials, method="wilson")
    assert (found.low, found.high) == pytest.approx((low, high), abs=5e-5)


@pytest.mark.parametrize(
    ("hits", "trials", "confidence", "low", "high"),
    [
        # Newcombe 1998, the same table, method 5 (column from memory).
        (81, 263, 0.95, 0.2527, 0.3676), (15, 148, 0.95, 0.0578, 0.1617),
        (0, 20, 0.95, 0, 0.1684), (1, 29, 0.95, 0.0009, 0.1776),
        # R binom.confint, frozen in statsmodels' results_proportion.py.
        (4, 20, 0.95, 0.0573340, 0.4366140), (4, 20, 0.90, 0.0713539, 0.4010281),
        (18, 20, 0.95, 0.68301728598, 0.98765147283),
    ],
)  # fmt: skip
def test_exact_interval_is_that_of_clopper_and_pearson(hits, trials, confidence, low, high):
    """The exact interval gives the published figures and agrees with statsmodels."""
    found = interval.share(hits, trials, confidence)
    assert (found.low, found.high) == pytest.approx((low, high), abs=5e-5)
    peer = proportion_confint(hits, trials, 1 - confidence, method="beta")
    assert (found.low, found.high) == pytest.approx(peer, abs=1e-9)


@pytest.mark.parametrize(
    ("method", "hits", "low", "high", "half_digit"),
    [
        ("wilson", 4, 0.0806577, 0.4160174, 5e-8),
        ("wilson", 18, 0.69896635477, 0.97213351879, 5e-12),
        ("exact", 4, 0.0573340, 0.4366140, 5e-8),
        ("exact", 18, 0.68301728598, 0.98765147283, 5e-12),
    ],
)
def test_shares_keep_all_digits_of_the_frozen_results(method, hits, low, high, half_digit):
    """Of 20 trials: R's binom.confint, frozen in statsmodels' results_proportion.py."""
    found = interval.share(hits, 20, method=method)
    assert (found.low, found.high) == pytest.approx((low, high), abs=half_digit)


@pytest.mark.parametrize("confidence", [0.90, 0.95, 0.99])
@pytest.mark.parametrize(("hits", "trials"), [(0, 20), (4, 20), (15, 148), (29, 29)])
def test_score_interval_is_the_handbooks_formula(hits, trials, confidence):
    """NIST e-Handbook 7.2.4.1, Wilson's limits, typed as they stand there; both solve the score.

    The score is (share - p)^2 = z^2 p (1 - p) / n.
    """
    found = interval.share(hits, trials, confidence, method="wilson")
    z, share = stats.norm.ppf(0.5 + confidence / 2), hits / trials
    root = math.sqrt(share * (1 - share) / trials + z**2 / (4 * trials**2))
    for bound, sign in ((found.low, -1), (found.high, 1)):
        limit = (share + z**2 / (2 * trials) + sign * z * root) / (1 + z**2 / trials)
        assert bound == pytest.approx(limit, abs=1e-12)
        score = z**2 * bound * (1 - bound) / trials
        assert (share - bound) ** 2 == pytest.approx(score, abs=1e-12)


@pytest.mark.parametrize(("trials", "high"), [(10, 0.25887), (30, 0.09503), (100, 0.029513), (300, 0.0099361), (1000, 0.0029912)])  # fmt: skip
def test_nothing_seen_still_has_a_bound(trials, high):
    """No event in n trials: one-sided 95 % bound 1 - 0.05^(1/n), near 3/n (rule of three).

    Hanley and Lippman-Hand 1983 (from memory); the figures are arithmetic.
    """
    found = interval.share(0, trials, 0.90).high
    assert found == pytest.approx(high, rel=1e-4)
    # 3 stands for ln 20 = 2.9957, and half the square of their share is left out
    assert math.log(20) / trials - 0.5 * (3 / trials) ** 2 < found < 3 / trials


def test_event_rate_agrees_with_statsmodels():
    """Garwood's interval of a rate equals statsmodels' exact one (confint_poisson, exact-c)."""
    for events in (0, 1, 7, 120):
        found = interval.event_rate(events, 2.5)
        assert found[1:3] == pytest.approx(confint_poisson(events, 2.5, "exact-c"), abs=1e-9)


def test_student_interval_gives_the_sleep_data():
    """Mean of paired differences: Student 1908 sleep data, R documentation (from memory)."""
    first = np.array([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0])
    second = np.array([1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4])
    found = interval.mean(first - second)
    assert (found.low, found.high) == pytest.approx((-2.4599, -0.7001), abs=5e-5)


def test_chi_square_interval_of_a_standard_deviation():
    """s = 1 from 30 normal values: 0.79641 to 1.34432 (chi-square arithmetic)."""
    found = interval.sd_of_normal(1.0, 29)
    assert (found.low, found.high) == pytest.approx((0.79641, 1.34432), abs=5e-6)


@pytest.mark.parametrize("p", [0.5, 0.9, 0.95])
def test_exact_quantile_interval_agrees_with_scipy(p):
    """The exact order statistics are those of scipy.stats.quantile_test."""
    values = np.random.default_rng(5).lognormal(size=150)
    found = interval.quantile(values, p, interpolated=False)
    peer = stats.quantile_test(values, q=0, p=p).confidence_interval(0.95)
    assert (found.low, found.high) == (peer.low, peer.high)


@pytest.mark.parametrize(("p", "count"), [(0.5, 6), (0.95, 72), (0.99, 368)])
def test_least_count_of_a_quantile_is_the_first_that_bounds_it(p, count):
    """Both bounds exist from the least count on, and not one value earlier (1 - p^n >= 0.975)."""
    assert interval.least_count_of_quantile(p) == count
    assert math.isfinite(interval.quantile(np.arange(count), p).high)
    assert math.isnan(interval.quantile(np.arange(count - 1), p).high)


def test_nothing_in_gives_nan_out():
    """Empty, NaN and infinite values give NaN, and nothing raises."""
    for found in (
        interval.share(0, 0), interval.event_rate(0, 0.0), interval.quantile([], 0.5),
        interval.quantile([math.nan, math.inf], 0.5), interval.mean([math.nan]), interval.sd([]),
    ):  # fmt: skip
        assert all(math.isnan(figure) for figure in found[:3])
    assert math.isnan(interval.mean([1.0]).low)
    assert math.isnan(interval.sd([1.0, 2.0, 4.0]).high)


def test_systematic_part_adds_in_quadrature_and_is_named():
    """A half width of 3 and an expanded systematic part of 4 give 5."""
    found = interval.with_systematic(
        interval.Interval(10.0, 7.0, 13.0, "m"), 4 / stats.norm.ppf(0.975)
    )
    assert (found.low, found.high) == pytest.approx((5.0, 15.0))
    assert "systematic" in found.method
    assert "not known" in interval.with_systematic(found, math.nan).method


def _coverage(make, function, truth, count, replications, seed=0):
    rng = np.random.default_rng(seed)
    caught = 0
    for _ in range(replications):
        found = function(make(rng, count))
        caught += found.low <= truth <= found.high
    return caught / replications


CASES = [
    pytest.param(lambda r, n: r.uniform(4, 6, n), lambda v: interval.quantile(v, 0.5), 5.0, 25, id="median"),
    pytest.param(lambda r, n: r.exponential(1, n), lambda v: interval.quantile(v, 0.95), -math.log(0.05), 150, id="p95"),
    pytest.param(lambda r, n: r.normal(5, 1, n), lambda v: interval.quantile(v, 0.99), 5 + 2.3263478740, 600, id="p99"),
    pytest.param(lambda r, n: r.uniform(4, 6, n), interval.mean, 5.0, 12, id="mean"),
    pytest.param(lambda r, n: r.uniform(0, 1, n), interval.sd, 1 / math.sqrt(12), 60, id="sd-uniform"),
    pytest.param(lambda r, n: r.normal(0, 1, n), interval.sd, 1.0, 60, id="sd-normal"),
]  # fmt: skip


@pytest.mark.parametrize(("make", "function", "truth", "count"), CASES)
def test_intervals_cover_as_promised(make, function, truth, count):
    """600 replications: coverage of 95 % within 3 binomial standard errors of 93 to 97 %."""
    slack = 3 * math.sqrt(0.95 * 0.05 / 600)
    assert 0.93 - slack / 2 < _coverage(make, function, truth, count, 600) < 0.97 + slack / 2


@pytest.mark.long
@pytest.mark.parametrize(("make", "function", "truth", "count"), CASES)
def test_intervals_cover_as_promised_at_length(make, function, truth, count):
    """20000 replications: coverage of 95 % between 93 and 97 %."""
    assert 0.93 < _coverage(make, function, truth, count, 20_000, seed=3) < 0.97


def test_exact_share_never_covers_less_and_score_is_near():
    """Coverage summed over all outcomes: exact at least 95 % always; score 93 to 97 % on average."""
    trials = 50
    hits = np.arange(trials + 1)
    bounds = {m: np.array([interval.share(k, trials, method=m)[1:3] for k in range(51)]) for m in ("exact", "wilson")}  # fmt: skip
    covers: dict[str, list[float]] = {"exact": [], "wilson": []}
    for chance in np.linspace(0.02, 0.98, 97):
        weight = stats.binom.pmf(hits, trials, chance)
        for method, pair in bounds.items():
            inside = (pair[:, 0] <= chance) & (chance <= pair[:, 1])
            covers[method].append(float(weight[inside].sum()))
    assert min(covers["exact"]) >= 0.95
    assert 0.93 < np.mean(covers["wilson"]) < 0.97
