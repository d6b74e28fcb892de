"""Polynomial fits against published and certified examples, and a reference library."""

import importlib.resources
import re

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf
from scipy import stats

from analysis.polynomial_fit import fit_polynomial

# NIST/SEMATECH e-Handbook 2.3.6.5, load cell: load, and its response three times
LOAD_CELL = np.array(
    [
        (2, 0.20024, 0.20016, 0.20024),
        (4, 0.40056, 0.40045, 0.40054),
        (6, 0.60087, 0.60075, 0.60086),
        (8, 0.80130, 0.80122, 0.80127),
        (10, 1.00173, 1.00164, 1.00173),
        (12, 1.20227, 1.20218, 1.20227),
        (14, 1.40282, 1.40278, 1.40279),
        (16, 1.60344, 1.60339, 1.60341),
        (18, 1.80412, 1.80409, 1.80411),
        (20, 2.00485, 2.00481, 2.00483),
        (21, 2.10526, 2.10524, 2.10524),
    ]
)


@pytest.fixture
def load_cell():
    """Load and response, one row an observation."""
    return np.repeat(LOAD_CELL[:, 0], 3), LOAD_CELL[:, 1:].ravel()


def test_load_cell_quadratic(load_cell):
    """Coefficients, their deviations and residual sd of e-Handbook 2.3.6.5.

    The data was read there; the figures are recomputed, and as printed there from memory.
    """
    fit = fit_polynomial(*load_cell, 2)
    np.testing.assert_allclose(
        fit.coefficients, [-0.183980e-4, 0.100102, 0.703187e-5], rtol=2e-5, atol=1e-11
    )
    np.testing.assert_allclose(fit.standard_errors, [0.2451e-4, 0.4839e-5, 0.2014e-6], rtol=5e-4)
    assert fit.residual_sd == pytest.approx(0.37640e-4, rel=1e-4)
    assert fit.freedom == 30


def test_load_cell_straight_line_does_not_fit(load_cell):
    """The straight line's residual sd of the same page, and its lack of fit stands out."""
    line, curve = (fit_polynomial(*load_cell, degree) for degree in (1, 2))
    assert line.residual_sd == pytest.approx(2.390e-4, rel=5e-4)
    assert line.lack_of_fit.p < 1e-6
    assert curve.lack_of_fit.p > 0.5
    assert curve.lack_of_fit.misfit_sd == 0.0


@pytest.mark.parametrize("degree", [1, 2, 3])
def test_lack_of_fit_is_that_of_nested_models(load_cell, degree):
    """The same F and p as statsmodels finds between the polynomial and one mean a level."""
    table = pd.DataFrame(dict(zip(("x", "y"), load_cell, strict=True)))
    powers = " + ".join(f"I(x**{k})" for k in range(1, degree + 1))
    peer = smf.ols("y ~ C(x)", table).fit().compare_f_test(smf.ols(f"y ~ {powers}", table).fit())
    found = fit_polynomial(*load_cell, degree).lack_of_fit
    assert found.ratio == pytest.approx(peer[0], rel=1e-4)
    assert found.p == pytest.approx(peer[1], rel=1e-3)
    assert (found.freedom, found.pure_freedom) == (peer[2], 22)


def test_prediction_interval_is_that_of_a_peer(load_cell):
    """Limits of one further observation and of the curve, as statsmodels gives them."""
    x, y = load_cell
    at = np.array([2.0, 7.5, 21.0])
    peer = (
        sm.OLS(y, np.vander(x, 3, increasing=True))
        .fit()
        .get_prediction(np.vander(at, 3, increasing=True))
    )
    fit = fit_polynomial(x, y, 2)
    frame = peer.summary_frame(alpha=0.1)
    low, high = fit.prediction(at, confidence=0.9)
    np.testing.assert_allclose(low, frame["obs_ci_lower"], rtol=1e-9)
    np.testing.assert_allclose(high, frame["obs_ci_upper"], rtol=1e-9)
    np.testing.assert_allclose(fit.standard_error(at), frame["mean_se"], rtol=1e-6)


def test_certified_line():
    """Norris of NIST's StRD, whose file scipy carries: all certified figures to 9 digits."""
    text = (
        importlib.resources.files("scipy.stats") / "tests/data/nist_linregress/Norris.dat"
    ).read_text()
    rows = re.findall(r"^\s+(\d+\.\d+)\s+(\d+\.\d+)\s*$", text, flags=re.MULTILINE)
    y, x = np.array(rows, dtype=float).T
    assert len(x) == 36
    fit = fit_polynomial(x, y, 1)
    np.testing.assert_allclose(fit.coefficients, [-0.262323073774029, 1.00211681802045], rtol=1e-9)
    np.testing.assert_allclose(
        fit.standard_errors, [0.232818234301152, 0.429796848199937e-03], rtol=1e-9
    )
    assert fit.residual_sd == pytest.approx(0.884796396144373, rel=1e-9)
    left = fit.freedom * fit.residual_sd**2 / float(((y - y.mean()) ** 2).sum())
    assert 1.0 - left == pytest.approx(0.999993745883712, abs=1e-14)


# NIST StRD, Longley: coefficient, and its standard deviation (from memory, but for that of B0)
LONGLEY = {
    "GNPDEFL": (15.0618722713733, 84.9149257747669),
    "GNP": (-0.0358191792925910, 0.0334910077722432),
    "UNEMP": (-2.02022980381683, 0.488399681651699),
    "ARMED": (-1.03322686717359, 0.214274163161675),
    "POP": (-0.0511041056535807, 0.226073200069370),
    "YEAR": (1829.15146461355, 455.478499142212),
}


@pytest.mark.parametrize("last", LONGLEY)
def test_certified_regression_on_six_columns(last):
    """Longley of NIST's StRD, of nearly dependent columns, line upon line: to 9 digits.

    Each column is freed by lines of those before it, and a line is then fitted to what those left
    of the response: the last slope is that of the regression on all at once (successive
    orthogonalisation, as in Hastie, Tibshirani and Friedman, algorithm 3.1; from memory). Data:
    statsmodels. Residual standard deviation 304.854073561965 (from memory), 9 degrees of freedom.
    """
    data = sm.datasets.longley.load_pandas()
    # one more row, which is fitted to nowhere: all columns zero, where the curve is B0
    table = data.exog.astype(float).reset_index(drop=True)
    table.loc[len(table)] = 0.0
    rest = np.append(data.endog.to_numpy(float), 0.0)
    free, share = [], 1.0 / 16.0
    for k, name in enumerate([*(one for one in LONGLEY if one != last), last]):
        column = table[name].to_numpy()
        for other in free:
            column = column - fit_polynomial(other[:-1], column[:-1], 1)(other)
        fit = fit_polynomial(column[:-1], rest[:-1], 1, further_parameters=k)
        rest = rest - fit(column)
        share += (float(fit.standard_error(column[-1])) / fit.residual_sd) ** 2 - 1.0 / 16.0
        free.append(column)
    coefficient, deviation = LONGLEY[last]
    assert fit.coefficients[1] == pytest.approx(coefficient, rel=1e-9)
    assert fit.standard_errors[1] == pytest.approx(deviation, rel=1e-9)
    assert fit.residual_sd == pytest.approx(304.854073561965, rel=1e-9)
    assert fit.freedom == 9
    assert -rest[-1] == pytest.approx(-3482258.63459582, rel=1e-9)
    assert fit.residual_sd * np.sqrt(share) == pytest.approx(890420.383607373, rel=1e-9)


def test_certified_fifth_degree():
    """Wampler1 of NIST's StRD: y = 1 + x + ... + x**5 gives six ones."""
    x = np.arange(21.0)
    y = np.polyval(np.ones(6), x)
    np.testing.assert_allclose(fit_polynomial(x, y, 5).coefficients, 1.0, rtol=1e-6)


def test_slope_and_shape():
    """The slope is the derivative; values keep the shape that they are asked in."""
    x = np.linspace(1.0, 4.0, 9)
    fit = fit_polynomial(x, 2.0 + 3.0 * x - 0.5 * x**2, 2)
    asked = np.array([[1.5, 2.5], [3.0, 3.5]])
    np.testing.assert_allclose(fit.slope(asked), 3.0 - asked, atol=1e-9)
    assert fit(asked).shape == fit.standard_error(asked).shape == (2, 2)


def test_repeats_are_what_lack_of_fit_rests_on():
    """Without repeats, or with no more levels than coefficients, nothing is said."""
    rng = np.random.default_rng(3)
    alone = fit_polynomial(np.arange(8.0), rng.normal(size=8), 1).lack_of_fit
    full = fit_polynomial([1.0, 1.0, 2.0, 2.0], [1.0, 1.1, 2.0, 2.2], 1).lack_of_fit
    assert np.isnan([alone.p, alone.ratio, alone.misfit_sd, full.p]).all()


def test_lack_of_fit_is_rarely_found_where_there_is_none():
    """p is even between 0 and 1 where the curve is true (Kolmogorov-Smirnov)."""
    rng = np.random.default_rng(4)
    x = np.repeat(np.arange(6.0), 4)
    p = [fit_polynomial(x, 1.0 + x + rng.normal(size=24), 1).lack_of_fit.p for _ in range(400)]
    assert stats.kstest(p, "uniform").pvalue > 0.01


@pytest.mark.parametrize(
    ("x", "y", "degree"),
    [
        ([1.0, 2.0], [1.0], 1),
        ([1.0, np.nan, 3.0], [1.0, 2.0, 3.0], 1),
        ([1.0, 1.0, 2.0], [1.0, 2.0, 3.0], 2),
        ([], [], 0),
    ],
)
def test_what_carries_no_fit_is_refused(x, y, degree):
    """Unequal rows, NaN, too few levels and nothing at all never give a curve."""
    with pytest.raises(ValueError, match=r"x"):
        fit_polynomial(x, y, degree)
