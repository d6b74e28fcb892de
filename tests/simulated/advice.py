"""Cases of a pad and a module for the tests of advice, and the best settings that truth allows."""

from __future__ import annotations

import contextlib
import dataclasses
import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import struck

from analysis.advise import Recommendation, advise
from analysis.pipeline import Analysis
from analysis.sensor import noise
from analysis.waveforms import waveforms
from rig.record.specimen import Settings
from rig.simulation.contact import Contact
from rig.simulation.module import ModuleFigures
from rig.simulation.pad import Pad, PadFigures
from rig.simulation.presets import BUILDS, MODULES, PADS, STRIKERS

LADDER = """format = 1
name = "strokes for advice"
purpose = "Soft to hard, each left to ring out"
[[stage]]
name = "silence"
pattern = "idle"
duration_s = 3
[[stage]]
name = "ladder"
pattern = "single"
strikers = ["A"]
forces_n = [1.5, 3, 6, 12, 25, 45]
repeats = {repeats}
interval_ms = 185
interval_spread_ms = 15
"""
FIRST_PEAK_MS = 3.0
RATE_HZ = 20_000.0


@dataclasses.dataclass(frozen=True)
class Case:
    """What is under the strikers, and the settings that it comes with."""

    number: int
    pad: PadFigures
    module: ModuleFigures
    settings: dict[str, float]

    @property
    def repeats(self) -> int:
        """Of each force: a slow main loop takes more strokes for as sharp a mean latency."""
        return math.ceil(18 + 14 * self.module.poll_period_ms**2)


def cases(count: int) -> list[Case]:
    """Draw cases: no pad or module is another's like, and their settings may be far from good."""
    rng = np.random.default_rng(61)
    kinds = [(pad, module) for pad in sorted(PADS) for module in sorted(MODULES)]
    drawn = []
    for number in range(count):
        pad_name, module_name = kinds[number % len(kinds)]
        old_pad, old_module = PADS[pad_name], MODULES[module_name]
        pad = dataclasses.replace(
            old_pad,
            name=f"pad-{number}",
            lowest_hz=old_pad.lowest_hz * rng.uniform(0.8, 1.25),
            ring=old_pad.ring * rng.uniform(0.7, 1.1),
            ring_s=old_pad.ring_s * rng.uniform(0.6, 1.4),
            late_share=old_pad.late_share * rng.uniform(0.6, 1.1),
            late_delay_ms=old_pad.late_delay_ms * rng.uniform(0.8, 1.2),
            late_width_ms=old_pad.late_width_ms * rng.uniform(0.8, 1.2),
            full_scale_n=old_pad.full_scale_n * rng.uniform(0.85, 1.2),
            noise_rms=old_pad.noise_rms * rng.uniform(0.6, 1.5),
        )
        module = dataclasses.replace(
            old_module,
            name=f"module-{number}",
            full_level=rng.uniform(0.55, 0.75),
            sample_rate_hz=float(rng.choice([12e3, 16e3, 20e3, 32e3])),
            clock_ppm=rng.uniform(-80, 80),
            noise_rms=old_module.noise_rms * rng.uniform(0.6, 1.5),
            poll_period_ms=rng.uniform(0.5, 2.0),
            processing_ms=rng.uniform(0.2, 1.0),
        )
        settings = {
            "gain_db": round(float(rng.uniform(-6, 3)), 1),
            "threshold_percent": round(float(rng.uniform(0.8, 2.0)), 2),
            "peak_window_ms": round(float(rng.uniform(1.5, 4.0)), 1),
            "dead_time_ms": round(float(rng.uniform(5, 30)), 1),
            "release_ms": round(float(rng.uniform(5, 40)), 1),
            "curve_exponent": round(float(rng.uniform(0.7, 1.4)), 2),
        }
        drawn.append(Case(number, pad, module, settings))
    return drawn


@contextlib.contextmanager
def in_the_cupboard(case: Case) -> Iterator[None]:
    """Let the simulated bench find this pad and this module by their names."""
    pad, module = case.pad.name, case.module.name
    PADS[pad], MODULES[module] = case.pad, case.module
    BUILDS[module] = {case.module.firmware: {}}
    try:
        yield
    finally:
        del PADS[pad], MODULES[module], BUILDS[module]


def strike(case: Case, folder: Path, settings: dict[str, float]) -> tuple[Analysis, struck.Truth]:
    """Strike the ladder on a case with some settings."""
    with in_the_cupboard(case):
        return struck.strike(
            LADDER.format(repeats=case.repeats),
            folder,
            pad=case.pad.name,
            module=case.module.name,
            firmware=case.module.firmware,
            settings=settings,
            seed=case.number + 1,
        )


def advice_of(analysis: Analysis) -> Recommendation:
    """Advice on a run, as the command gives it."""
    cut = waveforms(analysis.recording, analysis.table.strokes)
    clean = cut.lonely()
    return advise(
        clean.envelopes,
        noise(cut.silence, cut.sample_rate_hz),
        today=analysis.recording.reader.specimen.module.settings,
        latency_ms=1e3 * clean.strokes["latency_s"].to_numpy(dtype=float),
        velocity=np.where(
            clean.strokes["latency_s"].notna(), clean.strokes["velocity"].astype(float), math.nan
        ),
    )


class TrueStrokes:
    """What reaches the module's converter of every contact that truly happened, its noise too."""

    def __init__(self, case: Case, truth: struck.Truth) -> None:
        contacts = []
        for row in truth.content["contacts"]:
            facts = {field.name: row.get(field.name, 0.0) for field in dataclasses.fields(Contact)}
            facts |= {"angle_rad": STRIKERS[row["striker"]].angle_rad, "contact_s": 0.0}
            contacts.append(facts)
        t_s = np.arange(round(0.180 * RATE_HZ)) / RATE_HZ
        rng = np.random.default_rng(case.number)
        rms = math.hypot(case.module.noise_rms, case.pad.noise_rms)
        pad = Pad(case.pad)
        volts = np.stack([pad.sound(Contact(**row)).voltage(t_s) for row in contacts])
        volts += rng.normal(0.0, rms, volts.shape)
        for frequency_hz, amplitude in case.pad.hum:
            turns = frequency_hz * t_s + rng.random((len(volts), 1))
            volts += amplitude * np.sin(2.0 * math.pi * turns)
        self.level = np.abs(volts)

    def best_window_ms(self, settings: Settings) -> float:
        """Shortest window, of all, that gives the true level of 95 % of the strokes.

        True level: the first peak. Found by trying every window on every stroke.
        """
        threshold = settings.threshold_percent / 100 / 10 ** (settings.gain_db / 20)
        first = self.level[:, : round(FIRST_PEAK_MS * RATE_HZ / 1e3)].max(axis=1)
        for window in range(1, round(6.0 * RATE_HZ / 1e3)):
            caught = []
            for row in self.level:
                trigger = int((row > threshold).argmax())
                caught.append(row[trigger : trigger + window].max())
            if np.mean(np.array(caught) >= first * 10 ** (-0.5 / 20)) >= 0.95:
                return window / RATE_HZ * 1e3
        return math.nan

    def best_dead_time_ms(self, settings: Settings) -> float:
        """Shortest dead time from which on no stroke doubles: every dead time on every stroke."""
        gain = 10 ** (settings.gain_db / 20)
        threshold = settings.threshold_percent / 100
        window = max(1, round(settings.peak_window_ms * RATE_HZ / 1e3))
        release = settings.release_ms * RATE_HZ / 1e3
        deads = np.arange(round(70.0 * RATE_HZ / 1e3))
        longest = 0
        for row in np.minimum(self.level * gain, 1.0):
            trigger = int((row > threshold).argmax())
            peak = row[trigger : trigger + window].max()
            at = np.flatnonzero(row > threshold)
            begin = trigger + np.maximum(deads[longest:], window)
            age = at[None, :] - begin[:, None]
            falling = peak * np.exp(-np.maximum(age, 0) / release)
            doubles = ((age >= 0) & (row[at] > falling)).any(axis=1)
            if doubles.any():
                longest += int(np.flatnonzero(doubles)[-1]) + 1
        return max(longest / RATE_HZ * 1e3, settings.peak_window_ms)
