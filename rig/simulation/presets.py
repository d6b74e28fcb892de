"""What the simulated bench has in its cupboard: strikers, pads, modules, builds and faults."""

from __future__ import annotations

import dataclasses
import difflib
from collections.abc import Iterable, Mapping
from typing import TypeVar

from rig.record.bench_fault import BenchError
from rig.simulation.module_figures import ModuleFigures
from rig.simulation.pad import PadFigures
from rig.simulation.striker_figures import StrikerFigures

Thing = TypeVar("Thing")

STRIKERS: dict[str, StrikerFigures] = {
    "A": StrikerFigures(
        id="A",
        mass_kg=0.028,
        gap_m=0.0013,
        resistance_ohm=6.0,
        inductance_h=0.033,
        supply_v=24.0,
        clamp_v=48.0,
        pull_n_per_a2=3.6,
        pull_gap_m=0.006,
        preload_n=0.085,
        spring_n_per_m=8.0,
        friction_n=0.012,
        tip_modulus_pa=3.6e7,
        tip_radius_m=0.010,
        heat_capacity_j_per_k=25.0,
        thermal_time_constant_s=150.0,
        angle_rad=0.15,
        stop_restitution=0.06,
    ),
    "B": StrikerFigures(
        id="B",
        mass_kg=0.031,
        gap_m=0.0014,
        resistance_ohm=6.3,
        inductance_h=0.034,
        supply_v=24.0,
        clamp_v=48.0,
        pull_n_per_a2=3.9,
        pull_gap_m=0.006,
        preload_n=0.095,
        spring_n_per_m=9.0,
        friction_n=0.018,
        tip_modulus_pa=3.6e7,
        tip_radius_m=0.010,
        heat_capacity_j_per_k=27.0,
        thermal_time_constant_s=170.0,
        angle_rad=-0.35,
        stop_restitution=0.06,
    ),
}

_HUM = ((50.0, 4e-4), (100.0, 1e-4), (150.0, 1.5e-4))

PADS: dict[str, PadFigures] = {
    # a stretched mesh over a foam cone: rings as a membrane, and the rim sends a late peak back
    "loam-mesh": PadFigures(
        name="loam-mesh",
        kind="membrane",
        lowest_hz=170.0,
        ring=0.9,
        ring_s=0.020,
        damping_power=0.8,
        modulus_pa=4e8,
        restitution=0.5,
        late_share=1.0,
        late_delay_ms=10.0,
        late_width_ms=4.5,
        full_scale_n=80.0,
        noise_rms=4e-4,
        hum=_HUM,
    ),
    # rubber on a plate: short and dry
    "flint-rubber": PadFigures(
        name="flint-rubber",
        kind="plate",
        lowest_hz=310.0,
        ring=1.0,
        ring_s=0.012,
        damping_power=0.7,
        modulus_pa=8e8,
        restitution=0.4,
        late_share=0.25,
        late_delay_ms=6.0,
        late_width_ms=4.0,
        full_scale_n=80.0,
        noise_rms=4e-4,
        hum=_HUM,
    ),
    # a free disc under a skin: long, inharmonic
    "gale-cymbal": PadFigures(
        name="gale-cymbal",
        kind="plate",
        lowest_hz=140.0,
        ring=0.8,
        ring_s=0.030,
        damping_power=0.5,
        modulus_pa=8e8,
        restitution=0.45,
        late_share=0.5,
        late_delay_ms=9.0,
        late_width_ms=4.0,
        full_scale_n=80.0,
        noise_rms=5e-4,
        hum=_HUM,
    ),
}
# the mesh with a second sensor on its rim
PADS["loam-mesh-rim"] = dataclasses.replace(
    PADS["loam-mesh"], name="loam-mesh-rim", crosstalk_share=0.25
)

Changes = Mapping[str, tuple[str, float]]
"""Field of ``ModuleFigures`` -> ("times" or "is", number)."""

MODULES: dict[str, ModuleFigures] = {
    "brook": ModuleFigures(name="brook", firmware="1.4"),
    "tarn": ModuleFigures(
        name="tarn",
        firmware="2.0",
        sample_rate_hz=12_000.0,
        clock_ppm=-40.0,
        peak_window_ms=2.5,
        dead_time_ms=14.0,
        release_ms=20.0,
        poll_period_ms=2.0,
        poll_jitter_ms=0.2,
        processing_ms=0.7,
        running_status=False,
        zero_velocity_off=False,
        sensing_ms=250.0,
        sound_rate_hz=44_100.0,
        sound_buffer_frames=128.0,
    ),
}

BUILDS: dict[str, dict[str, Changes]] = {
    "brook": {
        "1.3": {
            "poll_period_ms": ("is", 4.0),
            "processing_ms": ("is", 1.5),
            "sound_buffer_frames": ("is", 256.0),
        },
        "1.4": {},
        # its dead time and release count in half units of what is set
        "1.5": {"dead_time_ms": ("times", 0.5), "release_ms": ("times", 0.5)},
        # that mended, but half a millisecond slower
        "1.6": {"processing_ms": ("is", 0.9)},
    },
    "tarn": {"2.0": {}},
}

FAULTS: dict[str, Changes] = {
    "double": {"dead_time_ms": ("is", 4.0), "release_ms": ("is", 3.0)},
    "lost_soft": {"threshold_percent": ("times", 5.0)},
    "slow": {"processing_ms": ("is", 9.0)},
    "jitter": {"poll_period_ms": ("is", 8.0)},
    "dead_time_grown": {"dead_time_ms": ("times", 4.0)},
    "stray": {"interference_per_h": ("is", 400.0)},
    "crosstalk": {"zone_ratio": ("times", 0.1)},
}

SETTINGS = (
    "gain_db",
    "threshold_percent",
    "peak_window_ms",
    "dead_time_ms",
    "release_ms",
    "curve_exponent",
)
"""Detector settings, as the specimen file names them."""


class SimulationError(BenchError):
    """The simulated bench was asked for something that it doesn't have."""


def pick(cupboard: Mapping[str, Thing], name: str, what: str) -> Thing:
    """Return one thing of a cupboard by its name.

    Raises
    ------
    SimulationError
        It isn't there; the sentence names the nearest and all.
    """
    if name in cupboard:
        return cupboard[name]
    raise SimulationError(
        f"simulated bench: no {what} {name!r}{nearest(name, cupboard)}; "
        f"there is {', '.join(cupboard)}"
    )


def nearest(name: str, names: Iterable[str]) -> str:
    """Return ``, did you mean 'x'?`` for a near name, or nothing."""
    close = difflib.get_close_matches(name, list(names), n=1, cutoff=0.5)
    return f", did you mean {close[0]!r}?" if close else ""


def module_figures(
    name: str,
    firmware: str = "",
    faults: Iterable[str] = (),
    settings: Mapping[str, float] | None = None,
) -> ModuleFigures:
    """Return what a module does, with its settings in force, its build and its faults.

    A build or fault works on the settings in force: it is what the maker didn't mean.

    Parameters
    ----------
    name, firmware
        Of ``MODULES`` and ``BUILDS``; no firmware: the module's own.
    faults
        Names of ``FAULTS``.
    settings
        Values by the names of ``SETTINGS``.

    Raises
    ------
    SimulationError
        A name isn't known.
    """
    figures = pick(MODULES, name, "module")
    chosen = firmware or figures.firmware
    changes = [pick(BUILDS[name], chosen, f"firmware of {name}")]
    changes += [pick(FAULTS, fault, "fault") for fault in faults]
    for setting in settings or {}:
        pick(dict.fromkeys(SETTINGS), setting, "setting")
    values = {**dataclasses.asdict(figures), **(settings or {}), "firmware": chosen}
    for change in changes:
        for field, (how, number) in change.items():
            values[field] = values[field] * number if how == "times" else number
    return ModuleFigures(**values)
