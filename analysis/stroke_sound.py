"""The whole sound of single strokes of each shape, with its tail, to take it off a recording."""

from __future__ import annotations

import dataclasses

import numpy as np
import numpy.typing as npt
import scipy.fft
from scipy.ndimage import uniform_filter1d

from analysis.lone_strokes import Shapes
from analysis.two_strokes import TAPER_S, Grid, energy

Floats = npt.NDArray[np.float64]
Spectra = npt.NDArray[np.complex128]

TAIL_S = 0.6
"""Tails are known for so long at most."""
RISE_OVER_S, RISE_RATIO = 0.01, 4.0
"""A tail ends where its power over so long, and that of its slope, are so many times the least
before: what rises there is another stroke, which nobody heard. Of beats between low modes the slope
shows little."""


@dataclasses.dataclass(frozen=True)
class LoneSound:
    """A stroke that stands alone.

    Attributes
    ----------
    spectrum
        (frequencies,) of its window.
    samples
        From the window's begin on, for as long as nothing else was heard.
    late
        Samples by which its onset is later than the window's place for it (0 to 1).
    noise_rms, u_onset
        Of its samples; standard uncertainty of its onset in samples.
    """

    spectrum: Spectra
    samples: npt.NDArray[np.float32]
    late: float
    noise_rms: float
    u_onset: float


@dataclasses.dataclass(frozen=True)
class StrokeSounds:
    """Sounds of the shapes, as long as they are known: (frequencies,) each, of a longer window."""

    size: int
    spectra: list[Spectra]
    length: list[int]
    energy: list[float]

    def at(self, shape: int, later: float) -> Floats:
        """Of level 1, moved later by less than a sample, from the window's begin on."""
        turn = -2j * np.pi * scipy.fft.rfftfreq(self.size) * later
        whole = scipy.fft.irfft(self.spectra[shape] * np.exp(turn), self.size)
        return np.asarray(whole[: self.length[shape] + 1])


def learn_sounds(grid: Grid, lone: list[LoneSound], shapes: Shapes) -> StrokeSounds:
    """Learn the sound of each shape from its lone strokes."""
    longest = grid.pre + round(TAIL_S * grid.rate_hz)
    size = int(scipy.fft.next_fast_len(longest + 64, real=True))
    frequency = scipy.fft.rfftfreq(size)
    spectra, lengths, energies = [], [], []
    for shape, members, place in zip(shapes.spectra, shapes.members, shapes.place, strict=True):
        moved = np.full((len(members), longest), np.nan)
        for row, k, late in zip(moved, members, place, strict=True):
            one = lone[int(k)]
            there = min(len(one.samples), longest)
            raw = np.zeros(size)
            raw[:there] = one.samples[:there]
            back = np.exp(2j * np.pi * frequency * (one.late + float(late)))
            level = np.sqrt(energy(one.spectrum))
            row[:there] = scipy.fft.irfft(scipy.fft.rfft(raw) * back, size)[:there] / level
        known = np.isfinite(moved).any(axis=0)
        length = len(known) if known.all() else int(np.argmin(known))
        sound = np.mean(moved[:, : grid.compared], axis=0)
        if length > grid.compared:
            # in the tail of one or the other a stroke may hide that nobody heard
            sound = np.append(sound, np.nanmedian(moved[:, grid.compared : length], axis=0))
        sound = sound[: _end(grid, sound)]
        fade = round(TAPER_S * grid.rate_hz)
        sound[-fade:] *= np.cos(np.linspace(0.0, 0.5 * np.pi, fade)) ** 2
        # on the same scale as the shape
        window = np.zeros(grid.length)
        window[: min(grid.length, len(sound))] = sound[: grid.length]
        own = grid.spectrum(window)
        scale = float(np.vdot(own, shape).real / np.vdot(own, own).real)
        spectra.append(scipy.fft.rfft(scale * sound, size))
        lengths.append(len(sound))
        energies.append(float(np.sum((scale * sound) ** 2)))
    return StrokeSounds(size, spectra, lengths, energies)


def _end(grid: Grid, sound: Floats) -> int:
    """Samples of it that are surely its own."""
    if len(sound) <= grid.compared:
        return len(sound)
    over = max(round(RISE_OVER_S * grid.rate_hz), 1)
    risen = np.ones(len(sound) - grid.compared, dtype=bool)
    for part in (sound, np.gradient(sound)):
        power = uniform_filter1d(part**2, over, mode="nearest")
        tail = power[grid.compared :]
        risen &= tail > RISE_RATIO * np.minimum.accumulate(tail) + 1e-4 * power.max()
    return grid.compared + (int(np.argmax(risen)) if risen.any() else len(risen))
