"""Runs of the simulated bench that are full of faults of, mostly, one kind, whose cause is known."""

from __future__ import annotations

import contextlib
import dataclasses
from collections.abc import Iterator

import numpy as np

from rig.simulation.module_figures import ModuleFigures
from rig.simulation.pad import PadFigures
from rig.simulation.presets import BUILDS, MODULES, PADS

KINDS = (
    "late_peak",
    "release_too_fast",
    "under_threshold",
    "shadowed",
    "clipped",
    "crosstalk",
    "noise",
    "bench_fault",
)
BROKEN = {
    "late_peak": {"dead_time_ms": 2.0, "release_ms": 2.0},
    "release_too_fast": {"dead_time_ms": 1.5, "release_ms": 2.0},
    "under_threshold": {"threshold_percent": 0.2},
    "shadowed": {"dead_time_ms": 0.4},
}
"""Claimed over true, for builds that keep not to their settings."""
_SINGLES = """[[stage]]
name = "{name}"
pattern = "single"
strikers = ["A"]
{levels}
order = "shuffled"
repeats = {repeats}
interval_ms = 170
interval_spread_ms = 15
"""
_PAIRS = """[[stage]]
name = "each alone"
pattern = "single"
strikers = ["A", "B"]
forces_n = [4, 12]
repeats = 3
interval_ms = 250
[[stage]]
name = "pairs"
pattern = "flam"
strikers = ["A", "B"]
gaps_ms = {gaps}
level_differences_db = {differences}
repeats = {repeats}
force_n = 25
rest_ms = 180
"""
_HEAD = """format = 1
name = "planted"
purpose = "Faults whose cause is known"
[[stage]]
name = "silence"
pattern = "idle"
duration_s = {silence_s}
"""


@dataclasses.dataclass(frozen=True)
class Plant:
    """One run that is full of faults of, mostly, one kind.

    ``settings``: what the module really does; ``claimed``: what its specimen file says.
    """

    pad: PadFigures
    module: ModuleFigures
    settings: dict[str, float]
    claimed: dict[str, float]
    protocol: str

    @property
    def build(self) -> dict[str, tuple[str, float]]:
        """Changes by which the module's build makes of what is claimed what it really does."""
        return {
            name: ("is", value)
            for name, value in self.settings.items()
            if value != self.claimed[name]
        }


def plant(kind: str, number: int) -> Plant:
    """Draw a pad, a module and strokes on which faults of a kind happen."""
    rng = np.random.default_rng([KINDS.index(kind), number])
    names = {
        "crosstalk": ["loam-mesh-rim"],
        "late_peak": ["loam-mesh"],
        "clipped": ["flint-rubber", "gale-cymbal"],
    }.get(kind, ["loam-mesh", "flint-rubber", "gale-cymbal"])
    old = PADS[str(rng.choice(names))]
    pad = dataclasses.replace(
        old,
        name=f"pad-{kind}-{number}",
        lowest_hz=old.lowest_hz * rng.uniform(0.85, 1.2),
        ring_s=old.ring_s * rng.uniform(0.7, 1.3),
        late_share=old.late_share * rng.uniform(0.8, 1.1),
        late_delay_ms=old.late_delay_ms * rng.uniform(0.9, 1.2),
        noise_rms=old.noise_rms * rng.uniform(0.6, 1.3),
    )
    base = MODULES[str(rng.choice(sorted(["brook", "tarn"])))]
    module = dataclasses.replace(
        base, name=f"module-{kind}-{number}", poll_period_ms=rng.uniform(0.5, 2.0)
    )
    # what alone makes no faults
    settings = {
        "gain_db": rng.uniform(-3.0, 1.0),
        "threshold_percent": rng.uniform(0.8, 1.2),
        "peak_window_ms": rng.uniform(1.8, 2.5),
        "dead_time_ms": rng.uniform(16.0, 20.0),
        "release_ms": 1e3 * pad.ring_s * rng.uniform(1.3, 1.6),
    }
    levels, repeats, silence_s = "forces_n = [3, 8, 20, 40]", 12, 3.0
    stages = None
    if kind == "late_peak":
        settings["dead_time_ms"] = rng.uniform(3.0, 7.0)
    elif kind == "release_too_fast":
        settings["dead_time_ms"] = pad.late_delay_ms + pad.late_width_ms + rng.uniform(0.5, 3.0)
        settings["release_ms"] = 1e3 * pad.ring_s * rng.uniform(0.1, 0.25)
    elif kind == "under_threshold":
        settings["threshold_percent"] = rng.uniform(5.0, 8.0)
        levels = "forces_n = [2, 2.5, 3, 3.5, 20]"
    elif kind == "shadowed":
        gaps = np.round(rng.uniform(8.0, 26.0, 3), 1).tolist()
        stages = _PAIRS.format(gaps=sorted(gaps), differences="[-18, -12, -6]", repeats=5)
        settings["dead_time_ms"] = rng.uniform(16.0, 28.0)
    elif kind == "clipped":
        settings["gain_db"] = rng.uniform(9.0, 16.0)
        settings["threshold_percent"] = rng.uniform(4.0, 6.0)
        levels = "forces_n = [20, 32, 45]"
        settings["dead_time_ms"] = rng.uniform(3.0, 9.0)
    elif kind == "crosstalk":
        module = dataclasses.replace(module, zone_ratio=rng.uniform(0.05, 0.15))
    elif kind == "noise":
        module = dataclasses.replace(
            module,
            interference_per_h=6_000.0,
            interference_level=rng.uniform(0.03, 0.08),
            # a note before the recording would take the status of all that follow with it
            running_status=False,
        )
        levels, repeats, silence_s = "forces_n = [8, 20]", 3, 25.0
    elif kind == "bench_fault":
        levels = "widths_us = [500, 4500]"
        repeats = 20
    if stages is None:
        stages = _SINGLES.format(name="strokes", levels=levels, repeats=repeats)
    rounded = {name: round(float(value), 3) for name, value in settings.items()}
    claimed = dict(rounded)
    if number % 2:
        # a build that keeps not to its settings
        for name, times in BROKEN.get(kind, {}).items():
            claimed[name] = round(rounded[name] * times, 3)
    return Plant(pad, module, rounded, claimed, _HEAD.format(silence_s=silence_s) + stages)


@contextlib.contextmanager
def in_the_cupboard(planted: Plant) -> Iterator[None]:
    """Let the simulated bench find this pad and this module by their names."""
    pad, module = planted.pad.name, planted.module.name
    PADS[pad], MODULES[module] = planted.pad, planted.module
    BUILDS[module] = {planted.module.firmware: planted.build}
    try:
        yield
    finally:
        del PADS[pad], MODULES[module], BUILDS[module]
