"""What the simulated strikers truly do, for the tests of their calibration."""

import numpy as np

from rig.record.force_width import ForceWidth
from rig.simulation.presets import PADS, STRIKERS
from rig.simulation.striker import Striker

PAD = PADS["loam-mesh"]


def struck(striker_id, width_us, ambient_c=21.0):
    """True force in N and flight in ms of a stroke without spread, on a coil at a temperature."""
    striker = Striker(
        STRIKERS[striker_id],
        pad_modulus_pa=PAD.modulus_pa,
        restitution=PAD.restitution,
        ambient_c=ambient_c,
    )
    contact = striker.strike(0.0, width_us * 1e-6)[0]
    return contact.force_n, 1e3 * contact.contact_s


def check_table(striker, count=120):
    """A calibrated striker gives the true force within its uncertainty, and the true flight."""
    table = striker.calibration
    curve = ForceWidth(striker)
    widths = np.linspace(table.widths_us[0], table.widths_us[-1], count)
    forces, flights = np.array([struck(striker.id, width) for width in widths]).T
    away = np.abs(curve.force_n(widths) / forces - 1.0)
    # k = 2 is no bound: one width in twenty may lie beyond it, none far
    assert (away < table.uncertainty_percent / 100.0).mean() > 0.94
    assert away.max() < 2.0 * table.uncertainty_percent / 100.0
    np.testing.assert_allclose(curve.flight_ms(widths), flights, atol=0.08)
