"""The fitted curve against published fits, two libraries, and its own promise of coverage."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.special import expit, logit

from analysis.chance_threshold import threshold
from analysis.psychometric import fit_curve

DOSE = np.array([1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839])
BEETLES = np.array([59, 60, 62, 56, 63, 59, 62, 60])
KILLED = np.array([6, 13, 18, 28, 52, 53, 61, 60])


def test_logistic_fit_gives_the_beetles_of_bliss():
    """Intercept -60.717, slope 34.270, x50 1.77172: Dobson, Introduction to GLM (from memory).

    statsmodels' GLM is the peer, log likelihood included.
    """
    fit = fit_curve(DOSE, KILLED, BEETLES, lapse_most=0.0)
    assert fit.slope == pytest.approx(34.270, abs=5e-4)
    assert -fit.slope * fit.midpoint == pytest.approx(-60.717, abs=1e-3)
    assert fit.at(0.5) == pytest.approx(1.77172, abs=5e-6)
    peer = sm.GLM(
        np.column_stack([KILLED, BEETLES - KILLED]), sm.add_constant(DOSE), sm.families.Binomial()
    ).fit()
    assert fit.slope == pytest.approx(peer.params[1], rel=1e-6)


def test_two_alternative_fit_gives_the_documented_threshold():
    """Guess 0.5: threshold 0.0046, interval 0.00425 to 0.00493 (psignifit documentation).

    Documented values from memory; there the sigmoid is a normal one and the interval Bayesian,
    hence the tolerance of 3 %.
    """
    x = np.array([10, 15, 20, 25, 30, 35, 40, 45, 50, 60, 70, 80, 100]) * 1e-4
    hits = np.array([45, 50, 44, 44, 52, 53, 62, 64, 76, 79, 88, 90, 90])
    fit = fit_curve(x, hits, np.full(13, 90), guess=0.5)
    found = threshold(fit, 0.75)
    assert found.value == pytest.approx(0.004646, rel=0.03)
    assert (found.low, found.high) == pytest.approx((0.00425, 0.00493), rel=0.03)
    assert fit.lapse < 0.01


def test_two_alternative_fit_agrees_with_psignifit():
    """psignifit, run with a logistic sigmoid on the same data, finds the same threshold."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import psignifit

        x = np.array([10, 15, 20, 25, 30, 35, 40, 45, 50, 60, 70, 80, 100]) * 1e-4
        hits = np.array([45, 50, 44, 44, 52, 53, 62, 64, 76, 79, 88, 90, 90])
        peer = psignifit.psignifit(
            np.column_stack([x, hits, np.full(13, 90)]), experiment_type="2AFC", sigmoid="logistic"
        )
    fit = fit_curve(x, hits, np.full(13, 90), guess=0.5)
    assert fit.midpoint == pytest.approx(peer.parameter_estimate["threshold"], rel=0.01)


def test_separated_data_give_the_bracket():
    """All lost below, all kept above: the estimate lies between, the interval covers the bracket."""
    x = np.log([20.0, 25, 30, 35, 40, 50, 60])
    fit = fit_curve(x, [0, 0, 0, 0, 20, 20, 20], np.full(7, 20), width_least=0.01)
    assert fit.separated
    found = threshold(fit, 0.95)
    assert math.log(35) < found.value < math.log(40)
    assert found.low <= math.log(35)
    assert math.log(40) <= found.high < math.log(42)


def test_all_or_none_is_no_curve():
    """All hits, all misses, one point, nothing and NaN give no fit."""
    for x, hits, trials in (
        ([1, 2], [5, 5], [5, 5]), ([1, 2], [0, 0], [5, 5]), ([1], [2], [5]), ([], [], []),
        ([math.nan, 1], [1, 2], [5, 5]),
    ):  # fmt: skip
        assert fit_curve(x, hits, trials) is None


def test_chance_above_what_lapses_allow_is_not_reached():
    """One stroke in ten is lost at any x: no x has 95 %, and the upper bound is open."""
    x = np.arange(10.0)
    fit = fit_curve(x, np.where(x < 4, 0, 90), np.full(10, 100))
    found = threshold(fit, 0.95)
    assert math.isnan(found.value)
    assert math.isnan(found.high)
    assert 3 < threshold(fit, 0.5).value < 4


def _coverage(steepness: float, lapse: float, chance: float, replications: int) -> float:
    rng = np.random.default_rng(2)
    x = np.linspace(-1, 1, 11)
    truth = logit(chance / (1 - lapse)) / steepness
    caught = 0
    for _ in range(replications):
        hits = rng.binomial(30, (1 - lapse) * expit(steepness * x))
        found = threshold(fit_curve(x, hits, np.full(11, 30)), chance)
        caught += not (found.low > truth or found.high < truth)
    return caught / replications


def test_threshold_interval_covers_as_promised():
    """150 replications at 50 %: coverage within 3 binomial standard errors of 95 %."""
    assert abs(_coverage(5.0, 0.02, 0.5, 150) - 0.95) < 3 * math.sqrt(0.95 * 0.05 / 150)


@pytest.mark.long
@pytest.mark.parametrize(("steepness", "lapse", "chance"), [(5, 0.0, 0.5), (5, 0.02, 0.5), (8, 0.0, 0.9)])  # fmt: skip
def test_threshold_interval_covers_as_promised_at_length(steepness, lapse, chance):
    """2000 replications: coverage 93 to 97.5 % where the points overlap the rise."""
    assert 0.93 < _coverage(steepness, lapse, chance, 2000) < 0.975
