"""The waveform of a serial line as a band-limited recorder sees it.

A level change of the line reaches the recording as a band-limited step: the integral of a windowed
sinc. Its rises from sample to sample are kept as a table over the sub-sample phase, so that
thousands of edges are laid on the grid of samples at once; their running sum is the waveform.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import signal

Floats = npt.NDArray[np.float64]

_PHASES = 512
_LOBES = 5
_BAND_EDGE = 0.42
"""Band of the model as a share of the sample rate: within what a usual converter passes."""


class EdgeTable:
    """Band-limited unit steps, as differences from sample to sample, by phase between samples.

    Parameters
    ----------
    oversampling
        Samples of the grid per sample of the recording (1 or 2).
    """

    def __init__(self, oversampling: int) -> None:
        cutoff = _BAND_EDGE / oversampling
        self.half_samples = int(np.ceil(_LOBES / (2 * cutoff)))
        reach = self.half_samples
        fine = np.arange(-reach * _PHASES, reach * _PHASES + 1) / _PHASES
        window = np.i0(6.0 * np.sqrt(np.clip(1 - (fine / reach) ** 2, 0, None)))
        impulse = np.sinc(2 * cutoff * fine) * window
        step = np.concatenate([[0.0], np.cumsum((impulse[1:] + impulse[:-1]) / 2)])
        step /= step[-1]
        self._taps = np.arange(-reach, reach + 2)
        distance = self._taps[None, :] * _PHASES - np.arange(_PHASES)[:, None]
        after = np.clip(distance + reach * _PHASES, 0, len(step) - 1)
        before = np.clip(after - _PHASES, 0, len(step) - 1)
        # The running sum of the differences is the step exactly, whatever its phase.
        self._rises: Floats = step[after] - step[before]

    def lay(self, positions: Floats, weights: Floats, length: int) -> Floats:
        """Rises of steps at fractional positions, shape (length,); their running sum is the line.

        What falls outside is heaped on the first or last sample, so that the sum stays right.
        """
        steps = np.rint(positions * _PHASES).astype(np.int64)
        whole, phase = np.divmod(steps, _PHASES)
        index = whole[:, None] + self._taps
        np.clip(index, 0, length - 1, out=index)
        values = self._rises[phase] * weights[:, None]
        return np.asarray(
            np.bincount(index.ravel(), weights=values.ravel(), minlength=length), dtype=np.float64
        )


class Equaliser:
    """A filter that turns what an interface makes of the line into what the table says.

    Interfaces differ in their anti-alias filters; some smear an edge over several samples. The
    filter is fitted by least squares to bytes already read, with a pull toward doing nothing that
    weighs as much as a few bytes. Their times are kept, so it adds no delay.
    """

    _REACH = 12
    _PULL_BYTES = 3.0
    _ENOUGH_BYTES = 2000

    def __init__(self) -> None:
        taps = 2 * self._REACH + 1
        self._taps: Floats = np.eye(taps)[self._REACH]
        self._normal = np.zeros((taps, taps))
        self._moment = np.zeros(taps)
        self._bytes = 0

    def apply(self, frames: Floats) -> Floats:
        """Filter a recording, shape (frames,); its ends are held."""
        if not self._bytes:
            return frames
        held = np.pad(frames, self._REACH, mode="edge")
        return np.correlate(held, self._taps, "valid")

    def learn(
        self, frames: Floats, model: Floats, first: npt.NDArray[np.int64], width: int
    ) -> None:
        """Take windows of a recording (from ``first``, ``width`` long) and what they should be."""
        first = first[(first >= self._REACH) & (first + width + self._REACH < len(frames))]
        if len(first) == 0 or self._bytes > self._ENOUGH_BYTES:
            return
        first = first[:: max(1, len(first) // 200)]
        base = first[:, None] + np.arange(width)
        ramp = np.arange(width) - (width - 1) / 2
        flat = np.stack([np.full(width, width**-0.5), ramp / np.sqrt(ramp @ ramp)], axis=1)

        def level_out(windows: Floats) -> Floats:
            return np.asarray(windows - (windows @ flat) @ flat.T)

        shifts = np.arange(-self._REACH, self._REACH + 1)
        columns = np.stack([level_out(frames[base + shift]).ravel() for shift in shifts])
        # einsum, since a threaded product of so flat a matrix is slower where processors are busy
        self._normal += np.einsum("in,jn->ij", columns, columns)
        self._moment += columns @ level_out(model[base]).ravel()
        self._bytes += len(first)
        pull = self._PULL_BYTES * np.trace(self._normal) / len(shifts) / self._bytes
        self._taps = np.linalg.solve(
            self._normal + pull * np.eye(len(shifts)),
            self._moment + pull * np.eye(len(shifts))[self._REACH],
        )


def oversample(samples: npt.NDArray[np.floating]) -> Floats:
    """Twice the sample rate, sample 0 in place; a recording of n frames gives 2 n samples."""
    taps = 2 * signal.firwin(63, 0.5, window=("kaiser", 6.0))
    held = np.concatenate([np.full(31, samples[0]), samples, np.full(31, samples[-1])])
    return np.asarray(signal.upfirdn(taps, held, up=2))[31 + 62 : 31 + 62 + 2 * len(samples)]


def interpolate(grid: Floats, positions: Floats) -> Floats:
    """Values between samples by the cubic through four neighbours; same shape as positions.

    The grid has at least twice the samples that its band needs, so that four suffice.
    """
    whole = np.clip(np.floor(positions).astype(np.int64), 1, len(grid) - 3)
    x = positions - whole
    before, here, after, beyond = (grid[whole + k] for k in (-1, 0, 1, 2))
    return np.asarray(
        here
        + 0.5
        * x
        * (
            after
            - before
            + x
            * (
                2 * before
                - 5 * here
                + 4 * after
                - beyond
                + x * (3 * (here - after) + beyond - before)
            )
        )
    )
