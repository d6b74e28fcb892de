"""Mains hum: harmonics of 50 or 60 Hz fitted to the quiet part of a stretch."""

from __future__ import annotations

import dataclasses

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

MAINS_HZ = (50.0, 60.0)
HARMONICS = 6
TURNING = 3  # so many of them may grow and turn along the stretch
LEAST_QUIET_S = 0.06
POINTS = 1200
MOST_DETUNING_HZ = 0.5


@dataclasses.dataclass(frozen=True)
class Hum:
    """Hum of a stretch: ``mains_hz`` (0: none found) and the amplitudes of its parts."""

    mains_hz: float
    parts: Floats
    middle_s: float

    def at(self, t_s: Floats) -> Floats:
        """Hum at times (s) of the stretch; any shape."""
        if not self.mains_hz:
            return np.full(t_s.shape, self.parts[0])
        flat = np.ravel(t_s)
        return (_columns(flat, self.mains_hz, self.middle_s) @ self.parts).reshape(t_s.shape)

    def detuning_hz(self) -> float:
        """How far the strongest turning part runs from its frequency, from its own turning."""
        cos, sin = self.parts[1 : 1 + TURNING], self.parts[1 + HARMONICS :][:TURNING]
        turn_cos, turn_sin = self.parts[1 + 2 * HARMONICS :].reshape(2, TURNING)
        power = cos**2 + sin**2
        k = int(power.argmax())
        if power[k] == 0:
            return 0.0
        # a cos + b sin with phase p(t): dp/dt = (b a' - a b') / (a^2 + b^2), of harmonic k + 1
        rate = (sin[k] * turn_cos[k] - cos[k] * turn_sin[k]) / power[k]
        hz = -rate / (2 * np.pi * (k + 1))
        return float(np.clip(hz, -MOST_DETUNING_HZ, MOST_DETUNING_HZ))


def _columns(t_s: Floats, mains_hz: float, middle_s: float) -> Floats:
    phase = 2j * np.pi * mains_hz * t_s
    turn = np.exp(phase)
    harmonics = np.cumprod(np.tile(turn[:, None], (1, HARMONICS)), axis=1)
    late = (t_s - middle_s)[:, None]
    # the mains wanders: let each part grow and turn along the stretch
    return np.hstack(
        [np.ones((len(t_s), 1)), harmonics.real, harmonics.imag]
        + [harmonics[:, :TURNING].real * late, harmonics[:, :TURNING].imag * late]
    )


def find_hum(mean: Floats, quiet: npt.NDArray[np.bool_], hop_s: float) -> Hum:
    """Fit the hum to hop means where nothing sounds.

    Parameters
    ----------
    mean
        (hops,) means of the signal.
    quiet
        (hops,) where to look.
    hop_s
        Time of a hop.

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
    t_s, values = (where + 0.5) * hop_s, mean[where]
    rest = float(((values - best.parts[0]) ** 2).sum())
    for nominal_hz in MAINS_HZ:
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
    normal = columns.T @ columns + 1e-6 * np.eye(columns.shape[1])
    parts = np.linalg.solve(normal, columns.T @ values)
    left = float(((values - columns @ parts) ** 2).sum())
    return Hum(mains_hz, parts / scale, middle_s), left
