"""Velocity over force, by the figures of converters and of certified data."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import scipy.stats
from stroke_tables import ladder, strokes

from analysis.exponent import exponent as exponent_of
from analysis.linearity import (
    QUANTISATION_VARIANCE,
    _line_covers,
    histogram_nonlinearity,
    levels_of,
    linearity_measures,
)
from analysis.velocity import velocity_measures
from rig.record.specimen import DeclaredCurve

FORCES_N = np.linspace(2, 45, 22)


def _by_name(table, **options):
    return {measure.name: measure for measure in velocity_measures(table, **options)}


def test_histogram_gives_the_worked_exercise():
    """DNL and INL of a 4-bit linear histogram, exercises 7.13 and 7.14 of a textbook.

    Roberts, Taenzler and Burns, mixed-signal test (from memory; inputs read, answers recomputed
    by the definitions of IEEE 1241).
    """
    hits = np.array([5, 5, 7, 8, 7, 9, 5, 6, 3, 6, 7, 9, 6, 5], dtype=float)
    dnl, endpoint, best = histogram_nonlinearity(hits)
    assert dnl == pytest.approx(
        [-.2045, -.2045, .1136, .2727, .1136, .4318, -.2045, -.0455, -.5227, -.0455, .1136, .4318,
         -.0455, -.2045], abs=5e-5)  # fmt: skip
    assert endpoint == pytest.approx(
        [0, -.2045, -.4091, -.2955, -.0227, .0909, .5227, .3182, .2727, -.25, -.2955, -.1818, .25,
         .2045, 0], abs=6e-5)  # fmt: skip
    assert np.abs(best).max() == pytest.approx(0.5386, abs=5e-5)


def test_nonlinearities_are_those_of_the_transitions():
    """DNL is a step's width over the mean one, less 1; INL (V_n - V_0) / LSB - n.

    A code that is never hit is a missing one, DNL -1, and no other is (IEEE 1241 and 1057 terms,
    read in secondary texts).
    """
    hits = np.random.default_rng(3).integers(0, 6, 125).astype(float)
    at = np.concatenate([[0.0], np.cumsum(hits)])
    step = at[-1] / 125
    dnl, endpoint, best = histogram_nonlinearity(hits)
    assert dnl == pytest.approx(np.diff(at) / step - 1, abs=1e-12)
    assert endpoint == pytest.approx((at - at[0]) / step - np.arange(126), abs=1e-10)
    assert np.flatnonzero(dnl == -1).tolist() == np.flatnonzero(hits == 0).tolist() != []
    slope, offset = np.polyfit(np.arange(126), endpoint, 1)
    assert best == pytest.approx(endpoint - offset - slope * np.arange(126), abs=1e-9)


def test_even_ladder_has_126_equal_steps():
    """Velocities 1 to 127 are 126 steps of (F_max - F_min) / 126 for a straight line (derived).

    Forces even over the range, 20 to a step: each code between the ends holds 20, none is missing.
    The line of least squares leaves half a step of rounding; the one through the ends another half,
    since these are rounded too.
    """
    forces = np.linspace(1.0, 40.0, 126 * 20 + 1)[:-1] + 39.0 / 126 / 40
    table = ladder(forces, repeats=1, sd=0.0)
    _, first = np.unique(table["velocity"].to_numpy(), return_index=True)
    assert np.diff(forces[first[1:]]) == pytest.approx(39.0 / 126, abs=1e-9)
    assert first.size - 1 == 126
    found = _by_name(table)
    assert found["velocity_dnl_worst"].method == "histogram"
    assert found["velocity_dnl_worst"].value == pytest.approx(0.0, abs=1e-9)
    assert found["velocity_dnl_worst"].details["missing_levels"] == 0
    assert 0 < found["velocity_inl_bestfit"].value < 0.5
    assert 0 < found["velocity_inl_endpoint"].value < 1.0


def test_residuals_of_the_best_line_are_those_of_norris():
    """NIST StRD Norris: certified residual standard deviation 0.884796396144373."""
    home = Path(scipy.stats.__file__).parent / "tests/data/nist_linregress/Norris.dat"
    if not home.exists():
        pytest.skip("this scipy carries no test data (Norris.dat)")
    data = np.array([line.split() for line in home.read_text().splitlines()[60:96]], dtype=float)
    order = np.argsort(data[:, 1])
    rest = _line_covers(data[order, 1])["velocity_inl_bestfit"] @ data[order, 0]
    assert math.sqrt(float((rest**2).sum()) / 34) == pytest.approx(0.884796396144373, rel=1e-9)


def test_rounding_has_the_variance_of_a_quantiser():
    """q / sqrt(12) = 0.28868 (IEEE 1057 and 1241, from memory)."""
    assert math.sqrt(QUANTISATION_VARIANCE) == pytest.approx(0.28868, abs=5e-6)


@pytest.mark.parametrize(("bits", "ratio_db"), [(7, 43.905), (16, 98.09), (24, 146.26)])
def test_rounding_leaves_an_ideal_converters_signal_to_noise(bits, ratio_db):
    """A full sine over that variance: 6.0206 N + 1.7609 dB (IEEE 1057 and 1241, from memory)."""
    sine_variance = (2.0**bits / 2) ** 2 / 2
    found_db = 10 * math.log10(sine_variance / QUANTISATION_VARIANCE)
    assert found_db == pytest.approx(ratio_db, abs=6e-3)
    assert found_db == pytest.approx(6.0206 * bits + 1.7609, abs=5e-4)


@pytest.mark.parametrize("exponent", [0.5, 0.7, 1.0, 1.4])
@pytest.mark.parametrize("least_n", [0.0, 1.5])
def test_exponent_comes_back_within_three_hundredths(exponent, least_n):
    """Rounding, clipping and a dead zone do not move the exponent by more than 0.03."""
    table = ladder(FORCES_N, exponent=exponent, least_n=least_n)
    found = _by_name(table)["velocity_exponent"]
    assert found.value == pytest.approx(exponent, abs=0.03)
    assert found.high - found.low < 0.12


def test_exponent_interval_covers_as_promised():
    """200 ladders: coverage of 95 % within 3 binomial standard errors, less 1 % for the offset."""
    caught = 0
    for seed in range(200):
        table = ladder(FORCES_N, exponent=0.8, sd=1.5, seed=seed)
        force, velocity = table["force_n"].to_numpy(), table["velocity"].to_numpy()
        levels, level_of = levels_of(force, velocity)
        inner = ~levels.clipped[level_of]
        found, _ = exponent_of(force[inner], velocity[inner], None, 0.95)
        if seed == 0:
            told = _by_name(table)["velocity_exponent"]
            assert (found.low, found.high) == (told.low, told.high)
        caught += found.low <= 0.8 <= found.high
    assert abs(caught / 200 - 0.945) < 3 * math.sqrt(0.95 * 0.05 / 200)


def test_straight_module_has_no_nonlinearity_beyond_chance():
    """A linear module: both INL and the DNL intervals start at 0, and the figures stay small."""
    found = _by_name(ladder(FORCES_N))
    for name in ("velocity_inl_endpoint", "velocity_inl_bestfit", "velocity_dnl_worst"):
        assert found[name].value < 2.5
        assert found[name].low == 0


def test_bow_of_a_power_law_is_found_and_a_declared_curve_takes_it_away():
    """x^0.6 bows off the chord by what calculus says; declared as 0.6 it is straight."""
    table = ladder(FORCES_N, exponent=0.6, least_n=0.0, most_n=50.0, sd=0.5)
    found = _by_name(table)["velocity_inl_endpoint"]
    x = np.linspace(2, 45, 2001) / 50
    velocity = 1 + 126 * x**0.6
    chord = np.interp(x, x[[0, -1]], velocity[[0, -1]])
    assert found.low < np.abs(velocity - chord).max() < found.high
    declared = _by_name(table, curve=DeclaredCurve(exponent=0.6))["velocity_inl_endpoint"]
    assert declared.low == 0
    assert declared.value < 1.5


def test_nonlinearity_interval_is_conservative():
    """150 linear-plus-kink modules: the simultaneous interval covers the kink in 95 % or more."""
    caught = 0
    for seed in range(150):
        table = ladder(FORCES_N[:18], sd=1.5, most_n=50.0, seed=seed)
        table["velocity"] += 6 * (table["force_n"] == FORCES_N[9])
        force, velocity = table["force_n"].to_numpy(), table["velocity"].to_numpy()
        levels, _ = levels_of(force, velocity)
        dnl = linearity_measures(force, velocity, levels, DeclaredCurve(), 0.95)[
            "velocity_dnl_worst"
        ][0]
        if seed == 0:
            told = _by_name(table)["velocity_dnl_worst"]
            assert (dnl.low, dnl.high) == (told.low, told.high)
        # One level of 18 lifted by 6 moves the slope of the fitted line by next to nothing.
        caught += dnl.low <= 6 <= dnl.high
    assert caught / 150 >= 0.95


def test_continuous_ladder_takes_the_histogram():
    """2000 forces evenly spread over the range: DNL by histogram; a level left out counts -1."""
    table = ladder(np.linspace(1, 40, 2400), repeats=1, sd=0.0)
    table["velocity"] = table["velocity"].mask(table["velocity"] == 50, 51)
    found = _by_name(table)["velocity_dnl_worst"]
    assert found.method == "histogram"
    assert found.details["missing_levels"] == 1
    assert found.value == pytest.approx(1.0, abs=0.05)


def test_spread_is_that_of_the_strokes():
    """Spread within a force: 2 levels, with rounding sqrt(4 + 1/12)."""
    found = _by_name(ladder(FORCES_N[:18], sd=2.0, repeats=20, most_n=50.0))["velocity_spread"]
    assert found.low < math.sqrt(4 + 1 / 12) < found.high


def test_a_fall_in_the_curve_breaks_monotony():
    """One step that falls by 15 levels of 20 steps leaves 95 %; a straight ladder is 1."""
    forces = np.linspace(5, 35, 21)
    table = ladder(forces)
    assert _by_name(table)["velocity_monotony"].value == 1.0
    dented = table.assign(velocity=table["velocity"] - 15 * (table["force_n"] == forces[10]))
    found = _by_name(dented)["velocity_monotony"]
    assert found.value == pytest.approx(1 - 1 / 20)
    assert found.details["falls_at"] == [forces[10]]


def test_hysteresis_is_the_shift_between_up_and_down():
    """Going down reads 5 levels more at every force: found within its interval."""
    up = ladder(FORCES_N[:15], repeats=8, sweep="up")
    down = ladder(FORCES_N[:15], repeats=8, sweep="down", seed=1)
    down["velocity"] += 5
    both = strokes(2 * len(up)).assign(
        **{
            name: np.concatenate([up[name], down[name]])
            for name in ("force_n", "velocity", "sweep")
        }
    )
    found = _by_name(both)["velocity_hysteresis"]
    assert found.low < 5 < found.high
    assert found.low > 0
    assert math.isnan(_by_name(up)["velocity_hysteresis"].value)


def test_levels_told_apart_are_those_a_walk_finds():
    """Steps of 6 levels at a spread of 1: all apart, and the bench limits; at a spread of 4: half."""
    forces = np.linspace(2, 38, 19)
    fine = _by_name(ladder(forces, repeats=30))["velocity_levels_apart"]
    assert fine.value == 19
    assert fine.bench_limited
    coarse = _by_name(ladder(forces, repeats=30, sd=4.0))["velocity_levels_apart"]
    # 2 N steps of 6.46 levels; 3.29 * 4 = 13.2 levels take three of them.
    assert 6 <= coarse.value <= 10
    assert coarse.low <= coarse.value <= coarse.high


def test_dead_zone_and_saturation_are_where_they_were_put():
    """No note below 5.5 N, and 127 from 30 N on."""
    found = _by_name(ladder(np.linspace(2, 45, 44), least_n=5.5, most_n=30.0, sd=0.0))
    assert found["velocity_dead_zone"].low <= 5.5 <= found["velocity_dead_zone"].high
    assert found["velocity_saturation"].low <= 30.0 <= found["velocity_saturation"].high + 0.5
    open_range = _by_name(ladder(np.linspace(10, 20, 11)))
    assert open_range["velocity_dead_zone"].bench_limited
    assert open_range["velocity_dead_zone"].value == 10
    assert open_range["velocity_saturation"].bench_limited
    assert open_range["velocity_saturation"].value == 20


def test_without_forces_the_pulse_width_stands_in_and_it_is_said():
    """A bench not calibrated: linearity over the pulse width, said so; no dead zone in N."""
    table = ladder(FORCES_N)
    table = table.assign(width_us=100 * table["force_n"], force_n=np.nan)
    found = _by_name(table)
    assert "Over pulse width" in found["velocity_inl_bestfit"].note
    assert math.isfinite(found["velocity_inl_bestfit"].value)
    assert found["velocity_exponent"].value == pytest.approx(1.0, abs=0.03)
    assert math.isnan(found["velocity_saturation"].value)
    assert found["velocity_saturation"].details["width_us"] == pytest.approx(4000, rel=0.03)
    # all strokes sounded, none in newtons: neither a figure nor an "at most" of one
    dead_zone = found["velocity_dead_zone"]
    assert math.isnan(dead_zone.value)
    assert not dead_zone.bench_limited
    assert "no force calibration" in dead_zone.note
    assert "at most 200 µs" in dead_zone.note


@pytest.mark.parametrize("table", [strokes(0), strokes(1), strokes(4), strokes(4, velocity=np.nan), strokes(3, force_n=np.nan, width_us=np.nan), ladder(np.array([10.0, 20.0]), repeats=1)], ids=["none", "one", "one force", "no velocity", "no force", "two forces"])  # fmt: skip
def test_too_little_gives_nan_and_no_error(table):
    """Nothing, one stroke, one force, no velocities: linearity and exponent are NaN."""
    found = _by_name(table)
    for name in ("velocity_inl_endpoint", "velocity_inl_bestfit", "velocity_exponent"):
        assert math.isnan(found[name].value)
        assert math.isnan(found[name].high)
