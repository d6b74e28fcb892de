"""Mains hum: harmonics of 50 or 60 Hz fitted to the quiet part of a stretch."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

MAINS_HZ = (50.0, 60.0)
HARMONICS = 6
TURNING = 3  # so many of them may grow and turn along the stretch
LEAST_QUIET_S = 0.06
POINTS, PIECE = 1200, 600
BLOCK = 64
MOST_DETUNING_HZ = 0.5


@dataclasses.dataclass(frozen=True)
class Hum:
    """Hum of a stretch: ``mains_hz`` (0: none found) and the amplitudes of its parts."""

    mains_hz: float
    parts: Floats
    middle_s: float

    def over(self, count: int, step_s: float) -> Floats:
        """Hum in the middle of each of so many steps of the stretch, (count,).

        A turn over a block and one within it multiply: all blocks are one small product.
        """
        if not self.mains_hz:
            return np.full(count, self.parts[0])
        level, cos, sin, turn_cos, turn_sin = np.split(
            self.parts, np.cumsum([1, HARMONICS, HARMONICS, TURNING])
        )
        order = 2j * np.pi * self.mains_hz * np.arange(1, HARMONICS + 1)
        blocks = -(-count // BLOCK)
        begin_s = (np.arange(blocks) * BLOCK + 0.5) * step_s
        within_s = np.arange(BLOCK) * step_s
        begin, within = np.exp(order[:, None] * begin_s), np.exp(order[:, None] * within_s)
        turning = turn_cos - 1j * turn_sin
        height = np.repeat((cos - 1j * sin)[:, None], blocks, axis=1)
        height[:TURNING] += turning[:, None] * (begin_s - self.middle_s)
        left = np.concatenate([height * begin, turning[:, None] * begin[:TURNING]])
        right = np.concatenate([within, within[:TURNING] * within_s])
        # the real part of a product of two complex ones
        out = left.real.T @ right.real - left.imag.T @ right.imag
        return np.asarray(level[0] + out.ravel()[:count])

    def detuning_hz(self) -> float:
        """How far the strongest turning part runs from its frequency, from its own turning."""
        cos, sin = self.parts[1 : 1 + TURNING], self.parts[1 + HARMONICS :][:TURNING]
        turn_cos, turn_sin = self.parts[1 + 2 * HARMONICS :].reshape(2, TURNING)
        power = cos**2 + sin**2
        k = int(power.argmax())
        if power[k] == 0:
            return 0.0
        # a cos(w t) + b sin(w t) is off w by (b da/dt - a db/dt) / (a^2 + b^2)
        rate = (sin[k] * turn_cos[k] - cos[k] * turn_sin[k]) / power[k]
        hz = rate / (2 * np.pi * (k + 1))
        return float(np.clip(hz, -MOST_DETUNING_HZ, MOST_DETUNING_HZ))


def _harmonics(t_s: Floats, mains_hz: float) -> Iterator[npt.NDArray[np.complex128]]:
    """exp(2 pi i k f t) for k = 1, 2 ..."""
    turn = np.exp(2j * np.pi * mains_hz * t_s)
    power = turn.copy()
    for _ in range(HARMONICS):
        yield power
        power *= turn


def _columns(t_s: Floats, mains_hz: float, middle_s: float) -> Floats:
    """Level, cosines, sines, and the first few of both growing along the stretch: (n, parts)."""
    rows = np.ones((1 + 2 * HARMONICS + 2 * TURNING, len(t_s)))
    late = t_s - middle_s
    for k, turn in enumerate(_harmonics(t_s, mains_hz)):
        rows[1 + k], rows[1 + HARMONICS + k] = turn.real, turn.imag
        # the mains wanders: let each part grow and turn along the stretch
        if k < TURNING:
            rows[1 + 2 * HARMONICS + k] = turn.real * late
            rows[1 + 2 * HARMONICS + TURNING + k] = turn.imag * late
    return rows.T


def find_hum(
    mean: Floats,
    quiet: npt.NDArray[np.bool_],
    hop_s: float,
    mains_hz: Sequence[float] = MAINS_HZ,
) -> Hum:
    """Fit the hum to hop means where nothing sounds.

    Parameters
    ----------
    mean
        (hops,) means of the signal.
    quiet
        (hops,) where to look.
    hop_s
        Time of a hop.
    mains_hz
        Frequencies to try; each is set right by what is found.

    Returns
    -------
    Hum
        With ``mains_hz`` 0 and the quiet mean alone where too little is quiet (under 60 ms), or
        where no hum stands out.
    """
    where = np.flatnonzero(quiet)
    if len(where) == 0:
        return Hum(0.0, np.array([float(np.median(mean)) if len(mean) else 0.0]), 0.0)
    best = Hum(0.0, np.array([float(mean[where].mean())]), 0.0)
    if len(where) * hop_s < LEAST_QUIET_S:
        return best
    where = where[:: max(1, len(where) // POINTS)]
    t_s = np.asarray((where + 0.5) * hop_s, dtype=np.float64)
    values = mean[where]
    rest = float(((values - best.parts[0]) ** 2).sum())
    for nominal_hz in mains_hz:
        first, _ = _fit(t_s, values, nominal_hz)
        hum, left = _fit(t_s, values, nominal_hz + first.detuning_hz())
        # noise alone loses about a part's share of its energy to each part
        if left < 0.8 * (1.0 - len(hum.parts) / len(where)) * rest:
            rest, best = left, hum
    return best


def _fit(t_s: Floats, values: Floats, mains_hz: float) -> tuple[Hum, float]:
    """Least squares at one mains frequency, with the energy left over."""
    middle_s = float(t_s.mean())
    columns = _columns(t_s, mains_hz, middle_s)
    scale = np.sqrt((columns**2).sum(axis=0))
    columns /= scale
    normal = 1e-6 * np.eye(columns.shape[1])
    for first in range(0, len(columns), PIECE):
        # small products, which the linear algebra leaves to one processor
        some = columns[first : first + PIECE]
        normal += some.T @ some
    parts = np.linalg.solve(normal, columns.T @ values)
    left = float(((values - columns @ parts) ** 2).sum())
    return Hum(mains_hz, parts / scale, middle_s), left
