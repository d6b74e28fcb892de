"""One stroke or several: what is left of a sound once copies of a known shape are taken off it.

A sound is held against a1 s(t - t1) + a2 s(t - t1 - d) + ..., s being what one stroke sounds like.
All delays d are tried at once: with what is known already (the first copy, and its derivative for
what its place is off) projected out, the best level at each delay and what it explains have closed
forms made of correlations. Sound and shape are whitened first by the shape's own spectrum, which
differences between strokes of one kind follow, and by the noise.

Source: generalised likelihood ratio for a signal of unknown level and arrival (Kay, Fundamentals of
Statistical Signal Processing, vol. II, 1998, ch. 7); orthogonal matching pursuit (Pati, Rezaiifar
and Krishnaprasad 1993). From memory.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import numpy.typing as npt
import scipy.fft
from scipy.ndimage import uniform_filter1d

Floats = npt.NDArray[np.float64]
Spectra = npt.NDArray[np.complex128]

PRE_S, POST_S = 0.002, 0.06
"""A window holds so much before an onset and after it ..."""
TAPER_S = 0.006
"""... and fades out over so long."""
LEAST_DELAY_S, MOST_DELAY_S = 0.003, 0.04
"""Delays at which a further stroke is looked for."""
ALIGN_S, ALIGN_STEP = 0.0004, 0.25
"""Two windows are shifted by so much at most, in steps of so much of a sample."""
TOP_HZ = 16e3
"""Above this recordings hold more of their making than of the stroke."""
UNLIKE = 0.02
"""Power by which strokes of one kind are taken to differ, over their own: noise is beside that."""
SMOOTH_HZ = 300.0
REFINE_STEPS = 3
LOCAL_S = 0.003
"""What is left about a moment is taken over so long."""


@dataclasses.dataclass(frozen=True)
class Grid:
    """Lengths that windows and spectra have at a sample rate (of windows, not of the recording)."""

    rate_hz: float

    @property
    def pre(self) -> int:
        """Samples before the onset."""
        return round(PRE_S * self.rate_hz)

    @property
    def length(self) -> int:
        """Samples of a window."""
        return self.pre + round(POST_S * self.rate_hz)

    @property
    def delays(self) -> tuple[int, int]:
        """First delay that is looked at, and the one after the last."""
        return round(LEAST_DELAY_S * self.rate_hz), round(MOST_DELAY_S * self.rate_hz)

    @property
    def size(self) -> int:
        """Samples with the zeros after them, so that no shift wraps around."""
        return int(scipy.fft.next_fast_len(2 * self.length, real=True))

    @property
    def turn(self) -> Spectra:
        """(frequencies,) i omega a sample: derivative, and logarithm of a shift by one sample."""
        return np.asarray(2j * np.pi * scipy.fft.rfftfreq(self.size), dtype=np.complex128)

    @property
    def band(self) -> Floats:
        """(frequencies,) what is listened to."""
        hz = scipy.fft.rfftfreq(self.size, 1.0 / self.rate_hz)
        return np.asarray(1.0 / (1.0 + (hz / TOP_HZ) ** 16))

    @property
    def taper(self) -> Floats:
        """(length,) fades out."""
        out = np.ones(self.length)
        fade = round(TAPER_S * self.rate_hz)
        out[-fade:] = np.cos(np.linspace(0.0, 0.5 * np.pi, fade)) ** 2
        return out

    @property
    def weight(self) -> Floats:
        """(size,) 1 where windows are compared."""
        out = np.zeros(self.size)
        out[: self.length - round(TAPER_S * self.rate_hz)] = 1.0
        return out

    def spectrum(self, windows: Floats) -> Spectra:
        """(..., length) windows to their (..., frequencies)."""
        return np.asarray(scipy.fft.rfft(windows * self.taper, self.size, axis=-1))

    def time(self, spectra: Spectra) -> Floats:
        """Back, (..., size)."""
        return np.asarray(scipy.fft.irfft(spectra, self.size, axis=-1))


def energy(spectra: Spectra) -> Floats:
    """Sum over frequencies, (...): the measure of level here."""
    return np.asarray(np.sum(np.abs(spectra) ** 2, axis=-1))


def whitening(grid: Grid, shape: Spectra, level: float, noise_rms: float) -> Floats:
    """Weights (frequencies,) under which what a stroke may differ by is about white.

    ``level``: of the stroke, as a factor on the shape; ``noise_rms``: of the window's samples.
    """
    width = max(round(SMOOTH_HZ * grid.size / grid.rate_hz), 1)
    own = uniform_filter1d(np.abs(shape) ** 2, width, mode="nearest")
    noise = (noise_rms / max(level, 1e-12)) ** 2 * grid.length
    return np.asarray(grid.band / np.sqrt(UNLIKE * own + noise + 1e-30))


def alignment(grid: Grid, spectra: Spectra, shape: Spectra) -> Floats:
    """Samples by which each sound (n, frequencies) comes later than a shape: (n,)."""
    reach = round(ALIGN_S * grid.rate_hz / ALIGN_STEP)
    lags = ALIGN_STEP * np.arange(-reach, reach + 1)
    wave = np.exp(grid.turn[:, None] * lags)
    match = ((spectra * shape.conj()) @ wave).real
    k = np.clip(match.argmax(axis=1), 1, len(lags) - 2)
    rows = np.arange(len(match))
    low, mid, high = (match[rows, k + step] for step in (-1, 0, 1))
    bend = low - 2.0 * mid + high
    off = np.where(bend < 0, 0.5 * (low - high) / np.where(bend < 0, bend, 1.0), 0.0)
    return np.asarray(lags[k] + ALIGN_STEP * np.clip(off, -1.0, 1.0))


def moved(grid: Grid, spectra: Spectra, later: npt.ArrayLike) -> Spectra:
    """Spectra (n, frequencies) of sounds moved later by (n,) samples."""
    turned = np.exp(-grid.turn * np.asarray(later, dtype=np.float64)[..., None])
    return np.asarray(spectra * turned, dtype=np.complex128)


@dataclasses.dataclass(frozen=True)
class Gains:
    """What one further copy would explain, at each delay (0, 1, ... samples).

    Attributes
    ----------
    level
        (delays,) best level of the further copy, over that of the first.
    share
        (delays,) share of what is left that it explains; negative where its level is.
    left
        Energy that is left without it, over that of the sound: both whitened.
    local
        The same about each moment of the window, as if all of it were like that: (length,).
    """

    level: Floats
    share: Floats
    left: float
    local: Floats

    def most(self, grid: Grid) -> float:
        """Largest share at any delay that is looked at."""
        low, high = grid.delays
        return float(self.share[low:high].max())


def gains(grid: Grid, sound: Spectra, shape: Spectra, delays: npt.ArrayLike = (0.0,)) -> Gains:
    """Tell what a further copy of the shape would explain of a sound; both whitened.

    Parameters
    ----------
    grid
        Lengths.
    sound, shape
        (frequencies,) each.
    delays
        Copies known already (samples), the first among them.
    """
    weight = grid.weight
    at = moved(grid, shape, delays)
    known = grid.time(np.concatenate([at, at * grid.turn])) * weight
    heard = grid.time(sound) * weight
    basis, triangle = np.linalg.qr(known.T)
    shares = basis.T @ heard
    levels = np.linalg.lstsq(triangle, shares, rcond=None)[0]
    left = heard - basis @ shares
    total = max(float(heard @ heard), 1e-300)
    _, stop = grid.delays
    # correlations with the shape at all delays: of what is left, and of what is known
    rows = scipy.fft.rfft(np.vstack([left, basis.T]), axis=1)
    across = grid.time(rows * shape.conj())[:, :stop]
    square = scipy.fft.rfft(grid.time(shape) ** 2)
    own = grid.time(scipy.fft.rfft(weight) * square.conj())[:stop]
    new = np.maximum(own - np.sum(across[1:] ** 2, axis=0), 1e-6 * own[0])
    rest = float(left @ left)
    local = uniform_filter1d(left[: grid.length] ** 2, round(LOCAL_S * grid.rate_hz))
    return Gains(
        level=across[0] / new / (float(levels[0]) or 1.0),
        share=np.abs(across[0]) * across[0] / new / max(rest, 1e-300),
        left=rest / total,
        local=local * float(weight.sum()) / total,
    )


@dataclasses.dataclass(frozen=True)
class Copies:
    """Copies of a shape that make up a sound (arrays of length copies).

    Attributes
    ----------
    delay, u_delay
        Samples after the window's place for the onset, and the standard uncertainty of that.
    level
        Of each.
    left
        Energy that they leave, over that of the sound: both whitened.
    """

    delay: Floats
    u_delay: Floats
    level: Floats
    left: float


def refine(grid: Grid, sound: Spectra, shape: Spectra, delays: npt.ArrayLike) -> Copies:
    """Find the delays of copies to a fraction of a sample (Gauss-Newton); else as ``gains``."""
    weight = grid.weight
    delay = np.asarray(delays, dtype=np.float64).copy()
    heard = grid.time(sound) * weight
    n = len(delay)
    for _ in range(REFINE_STEPS):
        at = moved(grid, shape, delay)
        basis = (grid.time(np.concatenate([at, at * grid.turn])) * weight).T
        coefficients = np.linalg.lstsq(basis, heard, rcond=None)[0]
        level, slope = coefficients[:n], coefficients[n:]
        # a s(t - e) is about a s - a e s'
        step = -slope / np.where(np.abs(level) > 1e-12, level, np.inf)
        delay += np.clip(step, -1.0, 1.0)
    at = moved(grid, shape, delay)
    basis = (grid.time(np.concatenate([at, at * grid.turn])) * weight).T
    level, *_ = np.linalg.lstsq(basis[:, :n], heard, rcond=None)
    left = heard - basis[:, :n] @ level
    # what is left is not white: it has so many free values
    free = weight.sum() * min(1.0, 2.0 * TOP_HZ / grid.rate_hz)
    jacobian = basis * np.concatenate([np.ones(n), level])
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * float(left @ left) / free
    covariance *= weight.sum() / free
    return Copies(
        delay=delay,
        u_delay=np.sqrt(np.maximum(np.diag(covariance)[n:], 0.0)),
        level=np.asarray(level, dtype=np.float64),
        left=float(left @ left) / max(float(heard @ heard), 1e-300),
    )
