"""Faults planted on the simulated bench, each with the cause that its truth tells.

Every double, lost stroke, stray and crosstalk of a run is labelled from what truly happened: which
part of which stroke made the module trigger, and what its re-arming level was. What the analysis
says of the same run is laid beside it.
"""

from __future__ import annotations

import contextlib
import dataclasses
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import struck

from analysis.causes import explain
from analysis.pipeline import Analysis
from analysis.sensor import noise
from analysis.waveforms import waveforms
from rig.simulation.contact import Contact
from rig.simulation.module_figures import ModuleFigures
from rig.simulation.pad import Pad, PadFigures
from rig.simulation.presets import BUILDS, MODULES, PADS, STRIKERS

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
FAR_S = 0.003
"""A told fault is the true one when it lies this near (an onset under another's sound is inferred)."""
RIM = 40
DOUBLE_S = 0.15
"""A further note so soon after a stroke counts as its double."""

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


def strike(planted: Plant, folder: Path, seed: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Strike, and give (true faults, told faults), both with columns kind, t_s and cause."""
    with in_the_cupboard(planted):
        analysis, truth = struck.strike(
            planted.protocol,
            folder,
            pad=planted.pad.name,
            module=planted.module.name,
            firmware=planted.module.firmware,
            settings=planted.claimed,
            seed=seed,
        )
    true = true_faults(planted, truth)
    # what sounds before the recording begins, or as it ends, is not on it
    recorded = true["t_s"].between(0.0, analysis.recording.duration_s - 0.02)
    return true[recorded].reset_index(drop=True), told_faults(analysis)


def told_faults(analysis: Analysis) -> pd.DataFrame:
    """What the analysis says of each fault."""
    cut = waveforms(analysis.recording, analysis.table.strokes)
    silence = noise(cut.silence, cut.sample_rate_hz)
    settings = analysis.specimen.module.settings
    return explain(cut, analysis.table.strokes, analysis.table.notes, settings, silence)


def true_faults(planted: Plant, truth: struck.Truth) -> pd.DataFrame:
    """Label every fault from the truth; times on the clock of the analysis."""
    contacts, notes = truth.content["contacts"], truth.content["notes"]
    onset_s, end_s = truth.column("contacts", "onset_s"), truth.column("notes", "end_s")
    sounds = _sounds(planted, contacts)
    rows: list[tuple[str, float, str]] = []
    firsts: dict[int, dict[str, Any]] = {}
    for note, at_s in zip(notes, end_s, strict=True):
        contact = note["contact"]
        before = int(np.searchsorted(onset_s, at_s)) - 1
        if contact < 0 and before in firsts and at_s - onset_s[before] < DOUBLE_S:
            contact = before
        if note["note"] == RIM:
            rows.append(("crosstalk", at_s, "crosstalk"))
        elif contact < 0:
            rows.append(("stray", at_s, "noise"))
        elif contact not in firsts:
            firsts[contact] = note
        else:
            cause = _double(planted, sounds, contacts, firsts[contact], note)
            rows.append(("double", onset_s[contact], cause))
    gain = 10.0 ** (planted.settings["gain_db"] / 20.0)
    for k, contact in enumerate(contacts):
        if k not in firsts:
            heard = contact["level"] * gain > planted.settings["threshold_percent"] / 100.0
            alone = k == 0 or contact["onset_s"] - contacts[k - 1]["onset_s"] > 0.12
            cause = "shadowed" if heard and not alone else "under_threshold"
            rows.append(("lost", onset_s[k], cause))
    struck_by = {contact["strike"] for contact in contacts}
    for number, pulse in enumerate(truth.content["pulses"]):
        if number not in struck_by:
            at_s = truth.t_s(np.array([pulse["on_s"]]))[0]
            rows.append(("not_struck", float(at_s), "bench_fault"))
    found = pd.DataFrame(rows, columns=["kind", "t_s", "cause"])
    return found.sort_values("t_s", ignore_index=True)


def _sounds(planted: Plant, contacts: list[dict[str, Any]]) -> list[Any]:
    pad = Pad(planted.pad)
    made = []
    for row in contacts:
        facts = {field.name: row.get(field.name, 0.0) for field in dataclasses.fields(Contact)}
        made.append(pad.sound(Contact(**facts | {"angle_rad": STRIKERS[row["striker"]].angle_rad})))
    return made


def _double(
    planted: Plant, sounds: list[Any], contacts: list[dict[str, Any]], first: dict[str, Any],
    second: dict[str, Any],
) -> str:  # fmt: skip
    """Tell why the module triggered again: by the part of the stroke that did, or by clipping.

    Clipping is the cause where the same module with converters that do not clip would have stayed
    silent: its peak would have been higher, and with it the level to pass.
    """
    sound = sounds[first["contact"]]
    begin_s = contacts[first["contact"]]["contact_s"]
    gain = 10.0 ** (planted.settings["gain_db"] / 20.0)
    window_s = 1e-3 * planted.settings["peak_window_ms"]
    fine_s = np.arange(0.0, window_s, 2e-5)
    peak = gain * np.abs(sound.voltage(first["trigger_s"] - begin_s + fine_s)).max()
    if peak > 1.0:
        blind_s = max(window_s, 1e-3 * planted.settings["dead_time_ms"])
        t_s = np.arange(first["trigger_s"] + blind_s, second["trigger_s"] + 1e-3, 2e-5)
        age = (t_s - first["trigger_s"] - blind_s) / (1e-3 * planted.settings["release_ms"])
        level = gain * np.abs(sound.voltage(t_s - begin_s))
        if not (level > peak * np.exp(-age)).any():
            return "clipped"
    heard_s = second["trigger_s"] - begin_s + fine_s
    if (
        gain * np.abs(sound.voltage(heard_s)).max()
        < 0.5 * 0.01 * planted.settings["threshold_percent"]
    ):
        return "noise"
    parts = {name: np.abs(wave).max() for name, wave in sound.parts(heard_s).items()}
    return "late_peak" if parts["late peak"] > parts["ringing"] else "release_too_fast"


def confusion(pairs: list[tuple[pd.DataFrame, pd.DataFrame]]) -> pd.DataFrame:
    """Count true causes (rows) against told ones (columns); ``missed`` and ``made up`` too."""
    counted: list[tuple[str, str]] = []
    for true, told in pairs:
        free = set(range(len(told)))
        for row in true.itertuples():
            near = [
                k
                for k in free
                if told["kind"][k] == row.kind and abs(told["t_s"][k] - row.t_s) < FAR_S
            ]
            if not near:
                counted.append((row.cause, "missed"))
                continue
            free.discard(near[0])
            counted.append((row.cause, told["cause"][near[0]]))
        counted += [("nothing", told["cause"][k]) for k in free]
    found = pd.DataFrame(counted, columns=["true", "told"])
    return pd.crosstab(found["true"], found["told"])
