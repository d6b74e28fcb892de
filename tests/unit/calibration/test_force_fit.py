"""The curve of force over width, on curves that are known in closed form."""

import numpy as np
import pytest

from analysis.force_fit import ForceFitError, fit_force

WIDTHS_US = np.unique(np.round(1850.0 + np.geomspace(8.0, 2600.0, 16)))
SPREAD = 0.02


def true_force_n(width_us):
    """Steep above a threshold of 1840 us, and bent: no member of the family that is fitted."""
    room = np.asarray(width_us) - 1840.0
    return 0.02 * room**0.75 * (1.0 + room / 400.0) ** 0.9


def strokes(seed, repeats=12, force_n=true_force_n):
    """Widths and forces with a relative spread of 2 %."""
    rng = np.random.default_rng(seed)
    widths = np.repeat(WIDTHS_US, repeats)
    return widths, force_n(widths) * np.exp(SPREAD * rng.standard_normal(len(widths)))


def test_curve_is_found_within_its_uncertainty():
    """The truth lies within two standard uncertainties nearly everywhere, over many tries."""
    asked = np.linspace(WIDTHS_US[0], WIDTHS_US[-1], 200)
    inside = []
    for seed in range(20):
        fit = fit_force(*strokes(seed))
        away = np.abs(fit.force_n(asked) / true_force_n(asked) - 1.0)
        inside.append(float((away < 2.0 * fit.relative_u(asked)).mean()))
        assert away.max() < 0.05
    assert np.mean(inside) > 0.9


def test_one_further_stroke_lies_in_the_prediction_interval():
    """95 % of new strokes fall between the limits."""
    inside = []
    for seed in range(20):
        fit = fit_force(*strokes(seed))
        widths, forces = strokes(1000 + seed, repeats=5)
        low, high = fit.prediction_n(widths)
        inside.append(((forces > low) & (forces < high)).mean())
    assert 0.92 < np.mean(inside) < 0.98


def test_scatter_is_found():
    """The residual deviation is the relative spread of strokes."""
    fit = fit_force(*strokes(1, repeats=40))
    assert fit.residual_sd == pytest.approx(SPREAD, rel=0.1)
    assert (fit.strokes, fit.levels) == (40 * len(WIDTHS_US), len(WIDTHS_US))


def test_power_law_needs_no_high_degree():
    """A power law of the width above its threshold is a straight line on the fitted axes."""
    fit = fit_force(*strokes(2, force_n=lambda width: 0.02 * (width - 1840.0) ** 0.9))
    assert fit.degree <= 2
    assert fit.threshold_us == pytest.approx(1840.0, abs=8.0)
    assert fit.lack_of_fit.p > 0.01


def test_curve_leaves_widths_to_be_tested_by():
    """However few widths, the lack of fit can be told."""
    widths, forces = strokes(7)
    few = np.isin(widths, WIDTHS_US[:10])
    fit = fit_force(widths[few], forces[few])
    assert fit.lack_of_fit.freedom >= 2
    assert np.isfinite(fit.lack_of_fit.p)


def test_even_widths_have_even_forces():
    """Widths for a table: from end to end, their forces in equal ratios."""
    fit = fit_force(*strokes(8))
    forces = fit.force_n(fit.even_widths_us(24))
    np.testing.assert_allclose(
        np.diff(np.log(forces)), np.log(forces[-1] / forces[0]) / 23, rtol=1e-3
    )


def test_misfit_is_told_and_enters_the_uncertainty():
    """A kink that no polynomial follows: the test finds it, and the uncertainty grows by it."""

    def kinked(width):
        return true_force_n(width) * np.where(np.isin(width, WIDTHS_US[::2]), 1.08, 0.92)

    plain, bent = fit_force(*strokes(3)), fit_force(*strokes(3, force_n=kinked))
    assert bent.lack_of_fit.p < 1e-6
    assert bent.lack_of_fit.misfit_sd == pytest.approx(0.08, rel=0.4)
    middle = WIDTHS_US[8]
    assert bent.relative_u(middle) > 0.05 > 5.0 * plain.relative_u(middle)


def test_nothing_is_extrapolated():
    """Beyond the struck widths, and the forces they gave, every answer is NaN."""
    fit = fit_force(*strokes(4))
    ends = np.array([WIDTHS_US[0], WIDTHS_US[-1]])
    beyond = ends + np.array([-0.5, 0.5])
    low, high = fit.prediction_n(beyond)
    for answer in (fit.force_n(beyond), low, high, fit.relative_u(beyond)):
        assert np.isnan(answer).all()
    forces = fit.force_n(ends)
    assert np.isfinite(forces).all()
    assert np.isnan(fit.width_us([*(forces * [0.99, 1.01]), np.nan, 0.0, -1.0])).all()


def test_widths_and_forces_are_inverse():
    """A width of a force gives this force; the curve rises everywhere."""
    fit = fit_force(*strokes(5))
    widths = np.linspace(WIDTHS_US[0], WIDTHS_US[-1], 50)
    forces = fit.force_n(widths)
    assert (np.diff(forces) > 0).all()
    np.testing.assert_allclose(fit.width_us(forces), widths, rtol=1e-4)


def test_strokes_that_were_not_felt_are_left_out():
    """NaN forces change nothing."""
    widths, forces = strokes(6)
    some = fit_force(np.append(widths, [3000.0, np.nan]), np.append(forces, [np.nan, 5.0]))
    assert some.strokes == len(widths)
    np.testing.assert_array_equal(some.force_n(2500.0), fit_force(widths, forces).force_n(2500.0))


@pytest.mark.parametrize(
    ("widths", "forces", "word"),
    [
        ([], [], "0 good strokes"),
        ([2000.0] * 20, [1.0] * 20, "at 1 widths"),
        (np.repeat(WIDTHS_US[:9], 9), true_force_n(np.repeat(WIDTHS_US[:9], 9)), "at 9 widths"),
        (WIDTHS_US, true_force_n(WIDTHS_US), "2 strokes each"),
        (np.repeat(WIDTHS_US, 4), np.full(4 * len(WIDTHS_US), np.nan), "0 good strokes"),
        (np.repeat(WIDTHS_US, 4), 1.0 / np.repeat(WIDTHS_US, 4), "don't grow"),
    ],
)
def test_strokes_that_carry_no_curve_are_refused(widths, forces, word):
    """Nothing, one width, no repeats, nothing felt, and a force that falls: each is told."""
    with pytest.raises(ForceFitError, match=word):
        fit_force(widths, forces)
