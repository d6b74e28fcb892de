"""The simulated bench's file says of its strikers what the strikers do."""

from pathlib import Path

import numpy as np
import pytest

from rig.record.force_width import ForceWidth
from rig.record.loaders import load_bench
from rig.simulation.presets import PADS, STRIKERS
from rig.simulation.striker import Striker

BENCH = Path(__file__).parents[3] / "protocols" / "benches" / "simulated.toml"


@pytest.mark.parametrize("name", ["A", "B"])
def test_calibration_agrees_with_the_striker(name):
    """Forces at and between calibrated widths lie within the stated uncertainty, flights in 2 %."""
    facts = next(s for s in load_bench(BENCH).strikers if s.id == name)
    table = facts.calibration
    pad = PADS["loam-mesh"]
    curve = ForceWidth(facts)
    widths = np.array(table.widths_us)
    # below 1 N the stroke hangs on the last microsecond of its pulse; there only the table counts
    between = np.sqrt(widths[1:] * widths[:-1])[np.array(table.forces_n[:-1]) >= 0.99]
    for width_us in [*widths, *between]:
        striker = Striker(
            STRIKERS[name], pad_modulus_pa=pad.modulus_pa, restitution=pad.restitution
        )
        contact = striker.strike(0.0, width_us * 1e-6)[0]
        within = table.uncertainty_percent / 100.0
        assert contact.force_n == pytest.approx(float(curve.force_n(width_us)), rel=within)
        flight_ms = float(curve.flight_ms(width_us))
        assert contact.contact_s * 1e3 == pytest.approx(flight_ms, rel=0.02)


@pytest.mark.parametrize("name", ["A", "B"])
def test_bench_file_states_the_strikers_facts(name):
    """Coil data of the file are those of the striker, and its ladder spans 1 to 60 N."""
    facts = next(s for s in load_bench(BENCH).strikers if s.id == name)
    figures = STRIKERS[name]
    assert facts.coil_resistance_ohm == figures.resistance_ohm
    assert facts.coil_inductance_mh == pytest.approx(figures.inductance_h * 1e3)
    assert facts.supply_v == figures.supply_v
    assert facts.thermal_time_constant_s == figures.thermal_time_constant_s
    assert facts.calibration.forces_n[0] < 1.0
    assert facts.calibration.forces_n[-1] > 58.0
