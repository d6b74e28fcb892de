"""Force and flight over pulse width are the simulated strikers' own, on cold and warm coils."""

import msgspec
import numpy as np
import pandas as pd
import pytest
from true_striker import check_table, struck

from analysis.force_calibration import calibrate_striker
from rig.calibration import find_striker
from rig.record.coil_warmth import copper_ohm, equal_width_us
from rig.record.loaders import load_bench
from rig.simulation.presets import STRIKERS

BENCH = "simulated_force"


@pytest.mark.parametrize("place", [0, 1])
def test_shipped_table_is_that_of_the_simulated_striker(place):
    """Forces, flights and facts of the shipped bench are the simulated strikers' own."""
    striker = load_bench("simulated").strikers[place]
    figures = STRIKERS[striker.id]
    assert striker.coil_resistance_ohm == figures.resistance_ohm
    assert striker.coil_inductance_mh == pytest.approx(1e3 * figures.inductance_h)
    assert striker.supply_v == figures.supply_v
    assert striker.thermal_time_constant_s == figures.thermal_time_constant_s
    assert striker.heat_capacity_j_per_k == figures.heat_capacity_j_per_k
    assert striker.calibration.forces_n[0] <= 0.5
    assert striker.calibration.forces_n[-1] >= 60.0
    check_table(striker)
    bare = load_bench(BENCH).strikers[place]
    assert bare == msgspec.structs.replace(striker, calibration=None)


@pytest.mark.parametrize("striker_id", ["A", "B"])
@pytest.mark.parametrize("warm_c", [26.0, 41.0])
def test_warmth_of_a_coil_is_taken_out(striker_id, warm_c):
    """A width carried over to a warm coil strikes as hard: nine tenths of the effect are gone."""
    striker = find_striker(load_bench(BENCH), striker_id)
    for width in (2100.0, 2600.0, 3500.0, 4300.0):
        cold = struck(striker_id, width)[0]
        plain = struck(striker_id, width, warm_c)[0] / cold - 1.0
        longer = float(equal_width_us(striker, width, 21.0, warm_c))
        carried = struck(striker_id, longer, warm_c)[0] / cold - 1.0
        assert plain < -0.01
        assert abs(carried) < 0.15 * abs(plain)


def test_warm_coil_is_corrected(tmp_path):
    """A ladder on a coil at 45 °C in a room at 21 °C gives the forces of a coil at 21 °C."""
    bench = load_bench(BENCH)
    striker = find_striker(bench, "A")
    widths = np.round(np.geomspace(2100.0, 4000.0, 12))
    rows = []
    rng = np.random.default_rng(2)
    for k, width in enumerate(np.tile(widths, 8)):
        force, flight = struck("A", width, 45.0)
        rows.append(
            {
                "strike": k, "striker": "A", "width_us": width, "drive_t_s": 1e-3 * k,
                "flight_ms": flight, "force_n": force * np.exp(0.003 * rng.standard_normal()),
                "impulse_n_s": 0.55 * force * 1.5e-3, "duration_ms": 1.5, "noise_n": 0.001,
                "contacts": 1, "clipped": False,
            }
        )  # fmt: skip
    found = calibrate_striker(
        pd.DataFrame(rows), striker, ambient_c=21.0, reference_uncertainty_percent=1.0,
        start_ohm=float(copper_ohm(6.0, 45.0)),
    )  # fmt: skip
    cold = np.array([struck("A", width)[0] for width in widths])
    warm = np.array([struck("A", width, 45.0)[0] for width in widths])
    assert (np.abs(warm / cold - 1.0) > 0.05).all()
    limit = found.uncertainty_percent / 100.0
    np.testing.assert_allclose(found.fit.force_n(widths), cold, rtol=limit)
    assert found.parts_percent["warmth"] > 1.0
