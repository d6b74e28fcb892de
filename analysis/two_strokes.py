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
Ints = npt.NDArray[np.int64]
Spectra = npt.NDArray[np.complex128]

PRE_S, POST_S = 0.002, 0.115
"""A window holds so much before an onset and after it ..."""
TAPER_S = 0.006
"""... and fades out over so long."""
LEAST_DELAY_S, MOST_DELAY_S = 0.003, 0.106
"""Delays at which a further stroke is looked for."""
ALIGN_S, ALIGN_STEPS = 0.0004, 4
"""Two windows are shifted by so much at most, in so many steps a sample."""
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
    def compared(self) -> int:
        """Samples of a window that are compared: all up to where it fades."""
        return self.length - round(TAPER_S * self.rate_hz)

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
    reach = round(ALIGN_S * grid.rate_hz * ALIGN_STEPS)
    lags = np.arange(-reach, reach + 1) / ALIGN_STEPS
    across = scipy.fft.irfft(spectra * shape.conj(), grid.size * ALIGN_STEPS, axis=1)
    match = np.concatenate([across[:, -reach:], across[:, : reach + 1]], axis=1)
    k = np.clip(match.argmax(axis=1), 1, len(lags) - 2)
    rows = np.arange(len(match))
    low, mid, high = (match[rows, k + step] for step in (-1, 0, 1))
    bend = low - 2.0 * mid + high
    off = np.where(bend < 0, 0.5 * (low - high) / np.where(bend < 0, bend, 1.0), 0.0)
    return np.asarray(lags[k] + np.clip(off, -1.0, 1.0) / ALIGN_STEPS)


def moved(grid: Grid, spectra: Spectra, later: npt.ArrayLike) -> Spectra:
    """Spectra (n, frequencies) of sounds moved later by (n,) samples."""
    turned = np.exp(-grid.turn * np.asarray(later, dtype=np.float64)[..., None])
    return np.asarray(spectra * turned, dtype=np.complex128)


@dataclasses.dataclass(frozen=True)
class Copies:
    """Copies of shapes that make up a sound (arrays of length copies).

    Attributes
    ----------
    shape
        Place of each one's shape among the shapes.
    delay, u_delay
        Samples after the window's place for the onset, and the standard uncertainty of that.
    level
        Of each.
    left
        Energy that they leave, over that of the sound: both whitened.
    """

    shape: Ints
    delay: Floats
    u_delay: Floats
    level: Floats
    left: float

    def __len__(self) -> int:
        return len(self.delay)

    @classmethod
    def none(cls) -> Copies:
        """No copy at all."""
        nothing = np.zeros(0)
        return cls(np.zeros(0, dtype=np.int64), nothing, nothing, nothing, 1.0)


def _known(
    grid: Grid, shapes: Spectra, which: Ints, delay: Floats, tails: Spectra | None
) -> Floats:
    """Copies, then their derivatives, then tails, as columns (samples compared, columns)."""
    at = moved(grid, shapes[which], delay)
    all_of = np.concatenate([at, at * grid.turn, *([] if tails is None else [tails])])
    if not len(all_of):
        return np.zeros((grid.compared, 0))
    return np.asarray(grid.time(all_of)[:, : grid.compared].T)


def refine(
    grid: Grid,
    sound: Spectra,
    shapes: Spectra,
    which: npt.ArrayLike,
    delay: npt.ArrayLike,
    tails: Spectra | None = None,
) -> Copies:
    """Find the delays and levels of copies, to a fraction of a sample (Gauss-Newton).

    Parameters
    ----------
    grid
        Lengths.
    sound, shapes
        (frequencies,) and (shapes, frequencies), whitened.
    which, delay
        (copies,) place of each one's shape, and about its delay (samples).
    tails
        (tails, frequencies), whitened, of what was before: of any level.
    """
    of = np.asarray(which, dtype=np.int64)
    delays = np.asarray(delay, dtype=np.float64).copy()
    heard = grid.time(sound)[: grid.compared]
    n = len(of)
    for _ in range(REFINE_STEPS):
        level, slope, _ = np.split(
            _solve(_known(grid, shapes, of, delays, tails), heard), [n, 2 * n]
        )
        # a s(t - e) is about a s - a e s'
        step = -slope / np.where(np.abs(level) > 1e-12, level, np.inf)
        delays += np.clip(step, -1.0, 1.0)
    known = _known(grid, shapes, of, delays, tails)
    linear = np.delete(known, np.s_[n : 2 * n], axis=1)
    solved = _solve(linear, heard)
    left, level = heard - linear @ solved, solved[:n]
    # what is left is not white: it has fewer free values than samples
    free = grid.compared * min(1.0, 2.0 * TOP_HZ / grid.rate_hz)
    jacobian = known * np.concatenate([np.ones(n), level, np.ones(known.shape[1] - 2 * n)])
    covariance = np.linalg.pinv(jacobian.T @ jacobian)
    covariance *= float(left @ left) * grid.compared / free**2
    return Copies(
        shape=of,
        delay=delays,
        u_delay=np.sqrt(np.maximum(np.diag(covariance)[n : 2 * n], 0.0)),
        level=level,
        left=float(left @ left) / max(float(heard @ heard), 1e-300),
    )


def _solve(columns: Floats, heard: Floats) -> Floats:
    """Least squares by the normal equations: few columns, well apart."""
    normal = columns.T @ columns
    normal[np.diag_indices_from(normal)] *= 1.0 + 1e-12
    return np.asarray(np.linalg.lstsq(normal, columns.T @ heard, rcond=None)[0], dtype=np.float64)


@dataclasses.dataclass(frozen=True)
class Gains:
    """What one further copy would explain, at each delay (0, 1, ... samples).

    Attributes
    ----------
    level
        (shapes, delays) best level of the further copy.
    share
        (shapes, delays) share of what is left that it explains; negative where its level is.
    left
        Energy that is left without it, over that of the sound: both whitened.
    local
        The same about each moment of the window, as if all of it were like that: (compared,).
    """

    level: Floats
    share: Floats
    left: float
    local: Floats

    def most(self, grid: Grid) -> Floats:
        """Largest share at any delay that is looked at: (shapes,)."""
        low, high = grid.delays
        return np.asarray(self.share[:, low:high].max(axis=1))


def gains(
    grid: Grid,
    sound: Spectra,
    shapes: Spectra,
    which: npt.ArrayLike,
    delay: npt.ArrayLike,
    tails: Spectra | None = None,
) -> Gains:
    """Tell what a further copy of each shape would explain; else as ``refine``."""
    of, delays = np.asarray(which, dtype=np.int64), np.asarray(delay, dtype=np.float64)
    heard = grid.time(sound)[: grid.compared]
    basis = np.linalg.qr(_known(grid, shapes, of, delays, tails))[0]
    left = heard - basis @ (basis.T @ heard)
    total = max(float(heard @ heard), 1e-300)
    rest = float(left @ left)
    _, stop = grid.delays
    # correlations with the shapes at all delays: of what is left, and of what is known
    rows = scipy.fft.rfft(np.vstack([left, basis.T]), grid.size, axis=1)
    across = grid.time(rows * shapes.conj()[:, None])[:, :, :stop]
    # energy of a shape that lies in the window once it is moved
    inside = np.cumsum(grid.time(shapes)[:, : grid.compared] ** 2, axis=1)[:, ::-1][:, :stop]
    new = inside - np.sum(across[:, 1:] ** 2, axis=1)
    new = np.maximum(new, 1e-6 * inside[:, :1])
    fit = across[:, 0]
    local = uniform_filter1d(left**2, round(LOCAL_S * grid.rate_hz))
    return Gains(
        level=fit / new,
        share=np.abs(fit) * fit / new / max(rest, 1e-300),
        left=rest / total,
        local=local * grid.compared / total,
    )
