"""Cases of a pad and a module for the tests of advice, and the best settings that truth allows."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import numpy as np
import struck

from analysis.advise import Recommendation, advise
from analysis.pipeline import Analysis
from analysis.sensor import noise
from analysis.waveforms import waveforms
from rig.record.specimen import Settings
from rig.simulation.contact import Contact
from rig.simulation.pad import Pad
from rig.simulation.presets import PADS, STRIKERS

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
REPEATS = {"brook": 30, "tarn": 90}
"""Of each force; a main loop of 2 ms takes more strokes than one of 1 ms for as sharp a mean."""

FIRST_PEAK_MS = 3.0
RATE_HZ = 20_000.0


@dataclasses.dataclass(frozen=True)
class Case:
    """What is under the strikers, and the settings that it comes with."""

    number: int
    pad: str
    module: str
    settings: dict[str, float]


def cases(count: int) -> list[Case]:
    """Draw cases: every pad with every module in turn, with settings that may be far from good."""
    rng = np.random.default_rng(61)
    kinds = [(pad, module) for pad in sorted(PADS) for module in ("brook", "tarn")]
    drawn = []
    for number in range(count):
        pad, module = kinds[number % len(kinds)]
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


def strike(case: Case, folder: Path, settings: dict[str, float]) -> tuple[Analysis, struck.Truth]:
    """Strike the ladder on a case with some settings."""
    return struck.strike(
        LADDER.format(repeats=REPEATS[case.module]),
        folder,
        pad=case.pad,
        module=case.module,
        firmware={"brook": "1.4", "tarn": "2.0"}[case.module],
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
    """Noise-free voltages of every fifth contact that truly happened."""

    def __init__(self, pad: str, truth: struck.Truth) -> None:
        sounds = []
        rows = truth.content["contacts"][::5]
        for row in rows:
            facts = {field.name: row.get(field.name, 0.0) for field in dataclasses.fields(Contact)}
            facts |= {"angle_rad": STRIKERS[row["striker"]].angle_rad, "contact_s": 0.0}
            sounds.append(Pad(PADS[pad]).sound(Contact(**facts)))
        t_s = np.arange(round(0.180 * RATE_HZ)) / RATE_HZ
        self.level = np.abs(np.stack([sound.voltage(t_s) for sound in sounds]))

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
        """Shortest dead time from which on no stroke doubles: every dead time, sample by sample."""
        gain = 10 ** (settings.gain_db / 20)
        threshold = settings.threshold_percent / 100
        window = max(1, round(settings.peak_window_ms * RATE_HZ / 1e3))
        release = settings.release_ms * RATE_HZ / 1e3
        longest = 0
        for row in np.minimum(self.level * gain, 1.0):
            trigger = int((row > threshold).argmax())
            peak = row[trigger : trigger + window].max()
            for dead in range(round(40.0 * RATE_HZ / 1e3), longest, -1):
                begin = trigger + max(dead, window)
                ages = np.arange(row.size - begin)
                if (row[begin:] > np.maximum(threshold, peak * np.exp(-ages / release))).any():
                    longest = dead + 1
                    break
        return max(longest / RATE_HZ * 1e3, settings.peak_window_ms)
