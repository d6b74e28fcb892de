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
from rig.simulation.module_figures import ModuleFigures
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
SOUND_S = 0.180
STEPS = 2048
"""Of the module's converter, to either side."""
RERUNS = 20
"""As many runs' strokes does the search for the best dead time look at."""


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


def strike(
    case: Case, folder: Path, settings: dict[str, float], *, again: bool = False
) -> tuple[Analysis, struck.Truth]:
    """Strike the ladder on a case with some settings; ``again``: nothing falls as it did before."""
    with in_the_cupboard(case):
        return struck.strike(
            LADDER.format(repeats=case.repeats),
            folder,
            pad=case.pad.name,
            module=case.module.name,
            firmware=case.module.firmware,
            settings=settings,
            seed=case.number + (1001 if again else 1),
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
    """What the module's converter reads of contacts that truly happened, noise newly drawn.

    ``sound``: noise-free voltage at the module's own instants, shape (strokes, samples). It is
    that of a run which the analysis has not seen.
    """

    def __init__(self, case: Case, truth: struck.Truth) -> None:
        module, pad = case.module, Pad(case.pad)
        self.step_s = 1.0 / (module.sample_rate_hz * (1.0 + module.clock_ppm * 1e-6))
        self.rng = np.random.default_rng(case.number)
        self.rms = math.hypot(module.noise_rms, case.pad.noise_rms)
        self.hum = case.pad.hum
        rows = truth.content["contacts"]
        self.sound = np.zeros((len(rows), round(SOUND_S / self.step_s)), dtype=np.float32)
        for heard, row in zip(self.sound, rows, strict=True):
            facts = {field.name: row.get(field.name, 0.0) for field in dataclasses.fields(Contact)}
            facts |= {"angle_rad": STRIKERS[row["striker"]].angle_rad, "contact_s": 0.0}
            begin_s = -self.rng.uniform(0.0, self.step_s)
            first, wave = pad.sound(Contact(**facts)).render(begin_s, self.step_s)
            heard[first : first + len(wave)] = wave[: len(heard) - first]

    def readings(self, gain_db: float, samples: int) -> np.ndarray:
        """Levels of one run of the strokes, of full scale, noise and hum newly drawn."""
        volts = self.sound[:, :samples] + np.float32(self.rms) * self.rng.standard_normal(
            (len(self.sound), samples), dtype=np.float32
        )
        for frequency_hz, amplitude in self.hum:
            turn = 2.0 * math.pi * frequency_hz * self.step_s * np.arange(samples)
            phase = 2.0 * math.pi * self.rng.random((len(volts), 1))
            volts += amplitude * (np.sin(turn) * np.cos(phase) + np.cos(turn) * np.sin(phase))
        steps = np.rint(np.abs(volts) * (STEPS * 10 ** (gain_db / 20)))
        return np.minimum(steps, STEPS - 1) / STEPS

    def best_window_ms(self, settings: Settings) -> float:
        """Shortest window, of all, that gives the true level of 95 % of the strokes.

        True level: the first peak. Found by trying every window on every stroke.
        """
        level = self.readings(settings.gain_db, self.sound.shape[1])
        trigger = (level > settings.threshold_percent / 100).argmax(axis=1)
        highest = np.maximum.accumulate(level, axis=1)
        rows = np.arange(len(level))
        first = highest[:, round(FIRST_PEAK_MS * 1e-3 / self.step_s) - 1]
        for window in range(1, round(6e-3 / self.step_s)):
            # what came before the trigger is below the threshold
            caught = highest[rows, trigger + window - 1]
            if np.mean(caught >= first * 10 ** (-0.5 / 20)) >= 0.95:
                return window * self.step_s * 1e3
        return math.nan

    def best_dead_time_ms(self, settings: Settings) -> float:
        """Shortest dead time, of all, with which no stroke doubles in ``RERUNS`` runs of them.

        Exhaustive: a sample t of level a passes the level that falls from the peak p since d just
        where ``d <= t`` and ``d < t + release ln(a / p)``, so no dead time needs to be tried.
        """
        threshold = settings.threshold_percent / 100
        # samples after the last that noise of six deviations lifts over the threshold are left out
        noise = 6.0 * self.rms + sum(amplitude for _, amplitude in self.hum)
        able = np.abs(self.sound).max(axis=0) + noise > threshold / 10 ** (settings.gain_db / 20)
        samples = int(np.flatnonzero(able)[-1]) + 1
        window = max(1, round(settings.peak_window_ms * 1e-3 / self.step_s))
        release = settings.release_ms * 1e-3 / self.step_s
        place, longest = np.arange(samples), window
        for _ in range(RERUNS):
            level = self.readings(settings.gain_db, samples)
            above = level > threshold
            trigger = above.argmax(axis=1)[:, None]
            peak = np.where(place < trigger + window, level, 0.0).max(axis=1)[:, None]
            with np.errstate(divide="ignore"):
                latest = place - trigger + np.minimum(release * np.log(level / peak), 0.0)
            latest[~above | (place < trigger + window)] = -np.inf
            longest = max(longest, math.floor(latest.max()) + 1)
        return longest * self.step_s * 1e3
