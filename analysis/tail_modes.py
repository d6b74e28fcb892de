"""Modes in which a tail rings: damped exponentials found in the samples before a stroke.

A tail is a sum of damped modes. Rows of neighbouring samples of it lie in a space of as many
dimensions as there are exponentials; one sample on, they have turned by the exponentials' own
factors, which are thus eigenvalues. Levels and phases need not be known for that.

Source: Roy and Kailath, ESPRIT, IEEE Trans. ASSP 37 (1989) 984-995; Hua and Sarkar, IEEE Trans.
ASSP 38 (1990) 814-824 (the same for damped ones). Largest singular value of a matrix of noise: the
square roots of its sides together (Geman 1980). From memory.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Complexes = npt.NDArray[np.complex128]

ROW = 60
"""Samples in a row: at 6 kHz most of a turn of the lowest modes."""
MOST = 26
"""Exponentials at most, a real mode being two of them."""
STANDS_OUT = 2.0
"""What is so many times as strong as the noise's own greatest is a mode (power)."""
SHORTEST = 0.3
"""What falls to less than that from sample to sample is none."""
LEAST_RAD_PER_S = 1.0
"""What turns more slowly than that only falls."""


def likeness(samples: Floats) -> tuple[Floats, int]:
    """Inner products of the places in all rows of a tail, and the number of rows.

    Sums of these over tails are of their modes together.

    Parameters
    ----------
    samples
        (n,) the tail, with nothing new in it; finite.

    Returns
    -------
    products, rows
        (ROW, ROW), nought and 0 where there are fewer samples than in a row.
    """
    if len(samples) < ROW:
        return np.zeros((ROW, ROW)), 0
    rows = np.lib.stride_tricks.sliding_window_view(samples, ROW)
    return rows.T @ rows, len(rows)


def modes_of(products: Floats, rows: int, rate_hz: float, noise_rms: float) -> Complexes:
    """Find the modes of tails.

    Parameters
    ----------
    products, rows
        Of ``likeness``, or sums of it.
    rate_hz
        Rate of the samples; modes above half of it are taken for lower ones.
    noise_rms
        Rms of their noise, taken for white.

    Returns
    -------
    complex, (modes,)
        Complex frequencies in 1/s: ``exp(s t)``; of each pair the one that turns forwards. None
        that grows. Empty where nothing stands out of the noise.
    """
    power, shapes = np.linalg.eigh(products)
    of_noise = (noise_rms * (np.sqrt(rows) + np.sqrt(ROW))) ** 2
    count = min(int((power > STANDS_OUT * of_noise).sum()), MOST)
    if count == 0:
        return np.zeros(0, dtype=np.complex128)
    space = shapes[:, -count:]
    turn = np.linalg.lstsq(space[:-1], space[1:], rcond=None)[0]
    factor = np.linalg.eigvals(turn).astype(np.complex128)
    factor = factor[(np.abs(factor) > SHORTEST) & (factor.imag >= 0.0)]
    return np.asarray(np.log(factor / np.maximum(np.abs(factor), 1.0)) * rate_hz)


def waves(modes: Complexes, t_s: Floats) -> Floats:
    """Everything that modes can do: two waves for each that turns, one for each that only falls.

    Parameters
    ----------
    modes
        (modes,) complex frequencies, 1/s.
    t_s
        (times,) in s.

    Returns
    -------
    (waves, times)
        None for no modes.
    """
    turns = modes.imag > LEAST_RAD_PER_S
    whole = np.exp(modes[turns, None] * t_s)
    return np.concatenate([whole.real, whole.imag, np.exp(modes[~turns].real[:, None] * t_s)])
