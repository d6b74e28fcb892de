"""Intervals of variances out of mean squares, against published limits and exact ones."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy import stats

from analysis.mean_squares import EXACT, MeanSquares, added

# Houf and Berman 1988, thermal impedance, 10 parts x 3 operators x 3 repeats: mean squares of the
# analysis of variance as Montgomery, Introduction to statistical quality control, prints them
# (typed from memory; the variances 48.29, 0.56, 0.73 and 0.51 that he prints come out)
IMPEDANCE = MeanSquares(
    square={"part": 437.3284, "operator": 19.6333, "part x operator": 2.6951, "repeats": 0.5111},
    freedom={"part": 9, "operator": 2, "part x operator": 18, "repeats": 60},
)
PART = {"part": 1 / 9, "part x operator": -1 / 9}
OPERATOR = {"operator": 1 / 30, "part x operator": -1 / 30}
CROSSED = {"part x operator": 1 / 3, "repeats": -1 / 3}


def test_limits_of_the_impedance_study_are_the_published_ones() -> None:
    """Burdick, Borror and Montgomery 2003 (J. Quality Technology 35:342; from memory).

    Parts 48.29 (22.69 to 161.64), gauge 1.80 (1.20 to 27.02), the lower one to a hundredth.
    """
    part = IMPEDANCE.variance(PART)
    assert part[:3] == pytest.approx((48.29, 22.69, 161.64), abs=0.005)
    gauge = IMPEDANCE.variance(added(OPERATOR, CROSSED, {"repeats": 1.0}))
    assert (gauge.value, gauge.high) == pytest.approx((1.80, 27.02), abs=0.005)
    assert gauge.low == pytest.approx(1.20, abs=0.01)
    assert part.method == gauge.method == "modified large-sample"
    assert IMPEDANCE.variance(OPERATOR).value == pytest.approx(0.56, abs=0.005)
    assert IMPEDANCE.variance(CROSSED).value == pytest.approx(0.73, abs=0.005)


def test_one_mean_square_has_the_exact_interval() -> None:
    """Freedom times mean square over the quantiles of chi-square.

    NIST e-Handbook 1.3.5.8: 100 gears, deviation 0.0062789; 1.3.6.7.4: quantiles 73.361 and
    128.422 at 99 degrees, so that the limits are 0.005513 and 0.007294.
    """
    gear = MeanSquares(square={"gear": 0.0062789**2}, freedom={"gear": 99})
    found = gear.variance({"gear": 1.0})
    assert math.sqrt(found.low) == pytest.approx(0.005513, abs=5e-7)
    assert math.sqrt(found.high) == pytest.approx(0.007294, abs=5e-7)
    assert found.method == EXACT


@pytest.mark.parametrize(("n", "m"), [(1, 4), (2, 18), (9, 60), (40, 3)])
def test_a_bound_is_zero_where_the_ratio_is_at_its_quantile(n: int, m: int) -> None:
    """Of a difference of two the bounds touch 0 just where the F test of their equality turns."""
    for confidence in (0.9, 0.95):
        tail = (1 - confidence) / 2
        for f, bound in ((stats.f.isf(tail, n, m), "low"), (stats.f.ppf(tail, n, m), "high")):
            two = MeanSquares(square={"a": float(f), "b": 1.0}, freedom={"a": n, "b": m})
            found = two.variance({"a": 1.0, "b": -1.0}, confidence)
            if bound == "low":
                assert found.low == pytest.approx(0.0, abs=1e-6)
            else:
                # the value is below 0, and the upper bound is the width that reaches back to it
                assert found.value == found.low == 0.0
                assert found.high == pytest.approx(1.0 - f, rel=1e-6)


def test_share_of_two_mean_squares_has_the_exact_interval() -> None:
    """Of a / (a + b) the bounds come from those of the ratio, by quantiles of F (b over a)."""
    for n, m in itertools.product((2, 9, 60), repeat=2):
        two = MeanSquares(square={"a": 2.0, "b": 1.0}, freedom={"a": n, "b": m})
        found = two.share({"a": 1.0}, {"b": 1.0})
        ratio = 0.5 * stats.f.ppf([0.975, 0.025], n, m)
        assert (found.low, found.high) == pytest.approx(1 / (1 + ratio), abs=0.012)
        assert found.value == pytest.approx(2 / 3)
        assert two.share({"a": 1.0}, {"b": 1.0}) == found


def test_many_degrees_leave_nothing_open() -> None:
    """With ever more degrees of freedom all bounds close in on the value."""
    sure = MeanSquares(square=IMPEDANCE.square, freedom=dict.fromkeys(IMPEDANCE.square, 10**9))
    for weights in (PART, OPERATOR, CROSSED, added(PART, OPERATOR, CROSSED, {"repeats": 1.0})):
        found = sure.variance(weights)
        assert np.allclose(found[:3], found.value, rtol=1e-3)
