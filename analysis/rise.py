"""The moment a stroke begins, below one sample: shapes fitted to its first rise.

Near its start a stroke rises as a power of the time since, or as a slope that steepens; which it is
depends on the contact and on the sensor and isn't known. Every pair of start and shape on a grid is
fitted (its height by least squares, which is a product with fixed templates); the weights
``exp(explained energy / 2 sigma^2)`` are the likelihoods of the pairs, so that the mean over the
grid is the estimate and its spread the uncertainty, that of the unknown shape included (Bayesian
model averaging).
"""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

POWERS = (1.0, 1.0, 1.5, 2.0, 3.0)
BENDS = (0.0, 1.0, 0.0, 0.0, 0.0)
"""Shapes of a rise over the time x since its start, 1 at the level: ``x^power (1 + bend x)``."""
PRIOR = (0.3, 0.3, 0.2, 0.12, 0.08)
"""Contacts begin with a finite slope (a half-sine) that may steepen (Hertz); sensors and cables
that swallow the fastest make some of it rounder."""
AHEAD = 2
"""Samples after the one that reaches the level, so that a rise within one sample has a slope."""
SHAPE_ERROR = 0.01
"""Misfit of a power law to the first rise, as a share of the level reached."""
SHAPE_U = 0.01
"""Uncertainty of a start over its distance from the level, for half-sines and Hertz's pulses."""
ROWS, PIECE = 8, 250_000


@functools.lru_cache(maxsize=16)
def _templates(length: int, order: int) -> tuple[Floats, ...]:
    """Unit templates (length, K), and of each: gain, start, scale, power, bend, prior, spacing.

    Starts count in samples before the level, scales in samples.

    The window ends ``AHEAD`` samples after the sample that reaches the level. ``order``: degree of
    the polynomial that is projected out as a baseline; -1 for none.
    """
    starts = np.concatenate([np.arange(-1.9, 3.0, 0.1), np.geomspace(3.0, 0.8 * length, 150)])
    n = np.arange(length) - (length - 1 - AHEAD)
    age = np.maximum(n[None, :] + starts[:, None], 0.0)
    whole = np.maximum(starts, 1.0)
    x = age / whole[:, None]
    shapes = np.concatenate([x**p * (1.0 + b * x) for p, b in zip(POWERS, BENDS, strict=True)])
    start, scale = np.tile(starts, len(POWERS)), np.tile(whole, len(POWERS))
    power, bend = np.repeat(POWERS, len(starts)), np.repeat(BENDS, len(starts))
    cell = np.concatenate([np.gradient(starts) * share for share in PRIOR])
    basis = np.polynomial.legendre.legvander(np.linspace(-1, 1, length), max(order, 0))
    basis = np.linalg.qr(basis)[0] if order >= 0 else np.zeros((length, 1))
    free = shapes - (shapes @ basis) @ basis.T
    norm = np.sqrt((free**2).sum(axis=1))
    good = norm > 1e-6 * np.sqrt((shapes**2).sum(axis=1))
    unit = (free[good] / norm[good, None]).T
    width = np.tile(np.gradient(starts), len(POWERS))
    rest = (norm, start, scale, power, bend, cell, width)
    return unit, *(values[good] for values in rest)


def product(rows: Floats, templates: Floats) -> Floats:
    """``rows @ templates`` in pieces that the linear algebra leaves to one processor.

    Above about 260,000 multiplications it wakes others, which costs more than it saves on a
    machine that has something else to do.
    """
    out = np.empty((len(rows), templates.shape[1]))
    for first in range(0, len(rows), ROWS):
        few = rows[first : first + ROWS]
        columns = max(1, PIECE // few.size)
        for begin in range(0, templates.shape[1], columns):
            some = slice(begin, begin + columns)
            np.matmul(few, templates[:, some], out=out[first : first + ROWS, some])
    return out


def fit_rise(
    windows: Floats,
    threshold: Floats,
    level: Floats,
    noise_rms: Floats,
    order: int = -1,
    earliest: Floats | None = None,
) -> tuple[Floats, Floats, Bools]:
    """Fit the first rise of many strokes.

    Parameters
    ----------
    windows
        (strokes, length) samples; the sample ``AHEAD`` before the last is the first to reach
        ``level``.
    threshold
        (strokes,) magnitude whose passing is asked for.
    level
        (strokes,) magnitude reached at the end.
    noise_rms
        (strokes,) rms of the noise.
    order
        Degree of the baseline under the rise; -1 where it is known to be nought.
    earliest
        (strokes,) samples after the first of the window before which no stroke can have begun.

    Returns
    -------
    at, u
        (strokes,) passing of the threshold, in samples after the first of the window, and its
        standard uncertainty.
    slow
        The rise fills the window: average samples and try again.
    """
    length = windows.shape[1]
    unit, norm, start, scale, power, bend, cell, width = _templates(length, order)
    along = product(windows, unit)
    energy = along**2
    if earliest is not None:
        begun = (length - 1 - AHEAD) - start
        energy = np.where(begun >= earliest[:, None], energy, 0.0)
    best = energy.max(axis=1)
    basis_free = windows
    if order >= 0:
        basis = np.linalg.qr(np.polynomial.legendre.legvander(np.linspace(-1, 1, length), order))[0]
        basis_free = windows - (windows @ basis) @ basis.T
    rest = np.maximum((basis_free**2).sum(axis=1) - best, 0.0) / length
    sigma2 = np.maximum(noise_rms**2, rest) + (SHAPE_ERROR * level) ** 2
    weight = np.exp((energy - best[:, None]) / (2.0 * sigma2[:, None])) * cell
    weight /= weight.sum(axis=1, keepdims=True)
    gain = np.maximum(np.abs(along) / norm, 1e-30)
    share = threshold[:, None] / gain
    # x (1 + b x) = share, or x^p = share
    root = np.where(
        bend > 0,
        2.0 * share / (1.0 + np.sqrt(1.0 + 4.0 * bend * share)),
        share ** (1.0 / power),
    )
    passing = (length - 1 - AHEAD) - start + scale * root
    passing = np.minimum(passing, length - 1.0)
    at = (weight * passing).sum(axis=1)
    spread = (weight * (passing - at[:, None]) ** 2).sum(axis=1)
    # no pulse is of one shape all the way up: the further from the level, the less is sure
    unsure = SHAPE_U * np.maximum((length - 1 - AHEAD) - at, 0.0)
    grid = (weight * width**2).sum(axis=1) / 12.0 + unsure**2
    slow = (weight * (start > 0.6 * length)).sum(axis=1) > 0.05
    return at, np.sqrt(spread + grid), slow


@dataclasses.dataclass
class Rises:
    """First rises of strokes: windows that end just after the level is reached."""

    rows: Floats
    origin: Floats  # frame of the sample after each window
    level: Floats
    threshold: Floats
    noise: Floats
    earliest: Floats  # frame before which no stroke can have begun

    @classmethod
    def room(cls, count: int, window: int) -> Rises:
        """Room for so many windows of so many samples."""
        blank = np.zeros(count)
        return cls(
            rows=np.zeros((count, window)),
            origin=blank.copy(),
            level=blank.copy(),
            threshold=blank.copy(),
            noise=blank.copy(),
            earliest=np.full(count, -np.inf),
        )

    def shortened(self, window: int) -> Rises:
        """Give the last samples of each window alone."""
        return dataclasses.replace(self, rows=self.rows[:, -window:])

    def fit(self, order: int) -> tuple[Floats, Floats, Bools]:
        """Passing of the thresholds in frames, its standard uncertainty, and whether it is slow."""
        begin = self.origin - self.rows.shape[1]
        at, u, slow = fit_rise(
            self.rows, self.threshold, self.level, self.noise, order, self.earliest - begin
        )
        return begin + at, u, slow
