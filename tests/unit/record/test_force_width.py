"""Force and width of a striker, against a power law that is known in closed form."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.record.force_width import ForceWidth


@pytest.fixture
def striker(bench):
    """Striker A of the test bench: force = 0.04e-9 N/µs³ times the cube of the width."""
    return ForceWidth(bench.strikers[0])


def test_a_power_law_is_kept(striker):
    """Between the points the law's own widths come out, to the half tick that the board can do."""
    forces = np.geomspace(0.625, 29.16, 200)
    widths = (forces / 0.04e-9) ** (1 / 3)
    np.testing.assert_allclose(striker.width_us(forces), widths, atol=0.2501)
    np.testing.assert_allclose(striker.force_n(widths), forces, rtol=1e-9)


def test_widths_are_whole_ticks(striker):
    """The board counts in 0.5 µs."""
    doubled = 2 * striker.width_us(np.linspace(1, 20, 50))
    np.testing.assert_array_equal(doubled, np.round(doubled))


def test_nothing_is_extrapolated(striker):
    """Beyond the calibrated forces, and for NaN, there is no width; the ends themselves are in."""
    widths = striker.width_us([0.62, 0.625, 29.16, 29.2, np.nan, -1.0, 0.0])
    np.testing.assert_array_equal(np.isnan(widths), [True, False, False, True, True, True, True])
    assert np.isnan(striker.force_n([2499, 9001])).all()


@given(
    steps=st.lists(st.floats(0.01, 1.0), min_size=3, max_size=8),
    gains=st.lists(st.floats(0.001, 2.0), min_size=8, max_size=8),
)
def test_more_force_always_takes_a_longer_pulse(bench, steps, gains):
    """Monotone for any monotone calibration (Fritsch and Carlson 1980; from memory)."""
    widths = tuple(2000 * np.exp(np.cumsum(steps)))
    forces = tuple(np.exp(np.cumsum(gains[: len(steps)])))
    facts = bench.strikers[0]
    assert facts.calibration is not None
    table = msgspec.structs.replace(
        facts.calibration, widths_us=widths, forces_n=forces, flights_ms=()
    )
    striker = ForceWidth(msgspec.structs.replace(facts, calibration=table))
    asked = np.geomspace(forces[0], forces[-1], 300)
    assert (np.diff(striker.width_us(asked)) >= 0).all()


def test_without_a_calibration_there_is_no_force(bench):
    """Every force and width is NaN, and the flight is the rough one."""
    striker = ForceWidth(msgspec.structs.replace(bench.strikers[0], calibration=None))
    assert np.isnan(striker.width_us([1, 2])).all()
    assert np.isnan(striker.force_n([3000, 4000])).all()
    np.testing.assert_array_equal(striker.flight_ms([3000, 4000]), [8, 8])


def test_flights_are_those_measured(striker):
    """At the calibrated widths the flights are those of the table; beyond, that of the end."""
    flights = striker.flight_ms([2000, 2500, 4000, 6000, 9000, 20000])
    np.testing.assert_allclose(flights, [14, 14, 11, 9, 7, 7], rtol=1e-12)
