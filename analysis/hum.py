"""Mains hum: harmonics of 50 or 60 Hz fitted to the quiet part of a stretch."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Samples = npt.NDArray[np.float32]

MAINS_HZ = (50.0, 60.0)
HARMONICS = 6
TURNING = 3  # so many of them may grow and turn along the stretch
LEAST_QUIET_S = 0.06
POINTS, PIECE, HOPS = 1200, 600, 1024
BLOCK = 64
LEAST_DETUNING_HZ, MOST_DETUNING_HZ = 1e-5, 0.5
"""Less is not set right: over a second, parts that don't turn are then off by 0.04 % at most."""


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
        cos, sin = self.parts[1 : 1 + HARMONICS], self.parts[1 + HARMONICS : 1 + 2 * HARMONICS]
        turn_cos, turn_sin = self.parts[1 + 2 * HARMONICS :].reshape(2, TURNING)
        blocks = -(-count // BLOCK)
        begin_s = step_s * (np.arange(blocks, dtype=np.float64) * BLOCK + 0.5)
        within_s = step_s * np.arange(BLOCK, dtype=np.float64)
        begin, within = _harmonics(begin_s, self.mains_hz), _harmonics(within_s, self.mains_hz)
        height, turning = (cos - 1j * sin)[:, None], (turn_cos - 1j * turn_sin)[:, None]
        left = np.concatenate([height * begin, turning * begin[:TURNING]])
        left[:TURNING] += left[HARMONICS:] * (begin_s - self.middle_s)
        right = np.concatenate([within, within[:TURNING] * within_s])
        # the real part of a product of two complex ones
        out = np.concatenate([left.real, -left.imag]).T @ np.concatenate([right.real, right.imag])
        return np.asarray(out.ravel()[:count] + self.parts[0])

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


def without_hum(samples: Samples, drone: Floats) -> Floats:
    """Samples less the hum, which is known in the middle of each hop: (frames,), a whole hop each.

    Between these it runs straight; before the first and after the last it stands still.
    """
    frames = len(samples) // max(len(drone), 1)
    ends = np.pad(drone, 1, mode="edge")
    near = np.stack([ends[:-2], drone, ends[2:]], axis=1)
    place = (np.arange(frames) + 0.5) / frames - 0.5
    weights = np.stack([np.maximum(-place, 0.0), 1.0 - np.abs(place), np.maximum(place, 0.0)])
    rows, out = samples.reshape(len(drone), frames), np.empty((len(drone), frames))
    for first in range(0, len(drone), HOPS):
        # pieces that the processor's cache holds, and that are left to one processor
        some = slice(first, first + HOPS)
        np.matmul(near[some], weights, out=out[some])
        np.subtract(rows[some], out[some], out=out[some])
    return out.ravel()


def _harmonics(t_s: Floats, mains_hz: float) -> npt.NDArray[np.complex128]:
    """exp(2 pi i k f t) for k = 1, 2 ...: (harmonics, n)."""
    angle = 2.0 * np.pi * mains_hz * t_s
    turns = np.empty((HARMONICS, len(t_s)), dtype=np.complex128)
    turns[0].real, turns[0].imag = np.cos(angle), np.sin(angle)
    for k in range(1, HARMONICS):
        np.multiply(turns[k - 1], turns[0], out=turns[k])
    return turns


def _parts(t_s: Floats, mains_hz: float, middle_s: float) -> Floats:
    """Level, cosines, sines, and the first few of both growing along the stretch: (parts, n)."""
    turns = _harmonics(t_s, mains_hz)
    # the mains wanders: let each part grow and turn along the stretch
    growing = turns[:TURNING] * (t_s - middle_s)
    return np.concatenate(
        [np.ones((1, len(t_s))), turns.real, turns.imag, growing.real, growing.imag]
    )


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
        hum, left = _fit(t_s, values, nominal_hz)
        detuning_hz = hum.detuning_hz()
        if abs(detuning_hz) > LEAST_DETUNING_HZ:
            hum, left = _fit(t_s, values, nominal_hz + detuning_hz)
        # noise alone loses about a part's share of its energy to each part
        if left < 0.8 * (1.0 - len(hum.parts) / len(where)) * rest:
            rest, best = left, hum
    return best


def _fit(t_s: Floats, values: Floats, mains_hz: float) -> tuple[Hum, float]:
    """Least squares at one mains frequency, with the energy left over."""
    middle_s = float(t_s.mean())
    rows = _parts(t_s, mains_hz, middle_s)
    # small products, which the linear algebra leaves to one processor
    pieces = [rows[:, first : first + PIECE] for first in range(0, len(t_s), PIECE)]
    normal = sum(some @ some.T for some in pieces)
    scale = np.sqrt(np.diag(normal))
    normal = normal / np.outer(scale, scale) + 1e-6 * np.eye(len(rows))
    parts = np.linalg.solve(normal, rows @ values / scale) / scale
    left = values - parts @ rows
    return Hum(mains_hz, parts, middle_s), float(left @ left)
