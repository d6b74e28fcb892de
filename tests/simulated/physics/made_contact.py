"""A contact for tests, of any force."""

from rig.simulation.contact import Contact, hertz_impact


def make_contact(force_n=20.0, contact_s=0.01, **changes):
    """Return a contact of a force, with the duration that Hertz gives a 30 g tip."""
    # force goes with velocity ** 1.2
    speed = (force_n / hertz_impact(0.03, 1.0, 4.5e6)[1]) ** (1.0 / 1.2)
    figures = {
        "strike": 0,
        "striker": "A",
        "coil": 0,
        "coil_on_s": contact_s - 0.008,
        "contact_s": contact_s,
        "traced_s": contact_s,
        "velocity_m_per_s": speed,
        "force_n": force_n,
        "duration_s": hertz_impact(0.03, speed, 4.5e6, 0.5)[2],
        "position": 0.5,
        "angle_rad": 0.2,
        "temperature_c": 21.0,
    }
    return Contact(**(figures | changes))
