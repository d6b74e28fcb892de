"""Starts, baud and bits of many bytes at once, from what a model of the line leaves of a recording.

All decoded edges are laid as band-limited steps. The rest of the recording, with a baseline and
a slope projected out of each byte's window, is divided among start, baud and amplitude by linear
least squares (Gauss-Newton); a bit is turned if its centre then lies nearer to the other level.
"""

from __future__ import annotations

import dataclasses
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from analysis.line_model import EdgeTable, Floats, interpolate

_BITS = np.arange(10)
_KNOWN_BYTES = 2000
"""So many bytes tell swing and baud well enough."""
_ROUNDS = 5


class LineState(NamedTuple):
    """Half of the swing, samples a bit, and the number of bytes that told them."""

    half_swing: float
    bit: float
    weight: float


@dataclasses.dataclass(frozen=True, kw_only=True)
class ByteFit:
    """What was found of each byte; positions in samples of the grid.

    Attributes
    ----------
    state
        Swing and baud, as known now.
    at, information, error, margin
        Start edge; squared slope of its window with baseline and slope projected out; RMS of the
        rest over half of the swing; the least margin of its bits (1 clean, 0 in the middle).
    bits
        bool, shape (bytes, 8).
    model, first, width
        The modelled line; where each byte's window begins, and its length.
    """

    state: LineState
    at: Floats
    information: Floats
    error: Floats
    margin: Floats
    bits: npt.NDArray[np.bool_]
    model: Floats
    first: npt.NDArray[np.int64]
    width: int


class Windows:
    """Baseline and slope of windows of one length."""

    def __init__(self, width: int) -> None:
        self._centre = (width - 1) / 2
        ramp = np.arange(width) - self._centre
        self._ramp_norm = float(np.sqrt(ramp @ ramp))
        self._flat = np.stack([np.full(width, width**-0.5), ramp / self._ramp_norm], axis=1)

    def trend(self, windows: Floats) -> Floats:
        """Coefficients of baseline and slope, shape (windows, 2)."""
        return np.asarray(windows @ self._flat)

    def level_out(self, windows: Floats) -> Floats:
        """Windows with their baseline and slope taken out; shape (windows, width)."""
        return np.asarray(windows - self.trend(windows) @ self._flat.T)

    def trend_at(self, trend: Floats, places: Floats) -> Floats:
        """The trend at places counted from each window's beginning; shape of ``places``."""
        return np.asarray(
            trend[:, :1] * self._flat[0, 0]
            + trend[:, 1:] * (places - self._centre) / self._ramp_norm
        )


def fit_bytes(
    line: Floats,
    table: EdgeTable,
    state: LineState,
    at: Floats,
    bits: npt.NDArray[np.bool_],
    earlier: int,
) -> ByteFit:
    """Fit bytes that were found roughly.

    Parameters
    ----------
    line
        The line on its grid, idle high, shape (samples,).
    table
        Steps for this grid.
    state
        Swing and baud as known before.
    at, bits
        Rough starts, shape (bytes,), in order, and bits, shape (bytes, 8).
    earlier
        So many of the first bytes are done already; they only lend their edges.
    """
    half_swing, bit, weight = state
    at, bits = at.copy(), bits.copy()
    own = slice(earlier, None)
    count = len(at) - earlier
    levels = np.ones((len(at), 11))
    levels[:, 1] = 0
    width = int(10.7 * bit)
    windows = Windows(width)

    def slope_windows(rises: Floats) -> Floats:
        return -windows.level_out((rises[index] + rises[index + 1]) / 2)

    # Once swing and baud are well known, only starts and bits are left to fit.
    for fit_round in range(2 if weight > _KNOWN_BYTES else 0, _ROUNDS):
        levels[:, 2:10] = bits
        change = np.diff(levels, axis=1)
        real = change != 0
        position = (at[:, None] + _BITS * bit)[real]
        rise = 2 * half_swing * change[real]
        rises = table.lay(position, rise, len(line))
        model = half_swing + np.cumsum(rises)
        first = np.floor(at[own] - bit).astype(np.int64)
        np.clip(first, 0, len(line) - width - 1, out=first)
        index = first[:, None] + np.arange(width)
        rest = line - model
        trend = windows.trend(rest[index])
        rest_windows = windows.level_out(rest[index])
        by_start = slope_windows(rises)
        information = np.maximum(np.einsum("ij,ij->i", by_start, by_start), 1e-30)
        if fit_round < 2:
            order = np.broadcast_to(_BITS, change.shape)[real]
            by_bit = slope_windows(table.lay(position, rise * order, len(line)))
            columns = np.stack([by_start, by_bit, windows.level_out(model[index])], axis=1)
            normal = columns @ columns.transpose(0, 2, 1)
            normal += np.eye(3) * (1e-9 * normal.max(axis=(1, 2), keepdims=True) + 1e-30)
            step = np.linalg.solve(normal, columns @ rest_windows[:, :, None])[:, :, 0]
            at[own] += np.clip(step[:, 0], -0.3 * bit, 0.3 * bit)
            half_swing *= 1 + float(np.clip(np.median(step[:, 2]), -0.5, 1.0))
            weight += count
            longer = float(np.clip(np.median(step[:, 1]), -0.03 * bit, 0.03 * bit))
            bit += longer * count / weight
            continue
        centres = at[own][:, None] + (_BITS + 0.5) * bit
        drift = windows.trend_at(trend, centres - first[:, None])
        toward = 2 * levels[own, 1:] - 1
        margin = 1 + toward * (interpolate(rest, centres) - drift) / half_swing
        wrong = margin[:, 1:9] < 0
        bits[own] ^= wrong
        step_start = np.einsum("ij,ij->i", by_start, rest_windows) / information
        at[own] += np.clip(step_start, -0.2 * bit, 0.2 * bit)
        if fit_round >= 3 and not wrong.any():
            break
    return ByteFit(
        state=LineState(half_swing, bit, weight),
        at=at[own],
        information=information,
        error=np.sqrt(np.mean(rest_windows**2, axis=1)) / half_swing,
        margin=margin.min(axis=1),
        bits=bits[own],
        model=model,
        first=first,
        width=width,
    )
