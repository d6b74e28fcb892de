"""Marker edges: when each marker pulse begins, to a hundredth of a sample, and whose it is.

An edge that an audio interface has recorded is band-limited: between its samples it is known by
sinc interpolation, and half of its height is passed at its instant whatever the filter, if that is
symmetric. A filter's fixed delay cancels against the sensor on the same interface.
"""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

U_FLOOR_FRAMES = 0.01
WIDTH_TOLERANCE_US = 60.0
"""Widths further than this from every known one belong to no coil."""
LEAST_LEVEL = 0.01
"""Pulses lower than this (of full scale) aren't looked for."""
LEAST_SNR = 20.0
TAPS = 16
MANY = 120
"""So many pulses at once are measured."""
MARGIN_S = 0.003
_FINE = 16


@dataclasses.dataclass(frozen=True)
class MarkerEdges:
    """Marker pulses in order (arrays of length n).

    Attributes
    ----------
    frame, u_frames
        Leading edge in frames, and its standard uncertainty.
    width_us
        Width at half height.
    code
        Place of the nearest known width; -1 where none is near.
    height
        Height of the pulse, of full scale, signed.
    """

    frame: Floats
    u_frames: Floats
    width_us: Floats
    code: Ints
    height: Floats

    def __len__(self) -> int:
        return len(self.frame)


@dataclasses.dataclass(frozen=True)
class _Pulses:
    """Pulses seen but not yet measured (n of them)."""

    near: Ints  # (2, n) last frame before each edge
    rows: npt.NDArray[np.float32]  # (2, n, 2 TAPS + 2) samples about it
    top: Floats
    spread: Floats  # of the noise around

    @classmethod
    def join(cls, parts: list[_Pulses]) -> _Pulses:
        return cls(
            near=np.concatenate([part.near for part in parts], axis=1),
            rows=np.concatenate([part.rows for part in parts], axis=1),
            top=np.concatenate([part.top for part in parts]),
            spread=np.concatenate([part.spread for part in parts]),
        )


class MarkerFinder:
    """Finds marker pulses in a stream of samples; memory does not grow with its length.

    Parameters
    ----------
    sample_rate_hz
        Rate.
    widths_us
        Known widths; the place of each is its code.
    """

    def __init__(self, sample_rate_hz: float, widths_us: Sequence[float]) -> None:
        self.sample_rate_hz = float(sample_rate_hz)
        self._widths_us = np.asarray(widths_us, dtype=np.float64)
        self._margin = int(MARGIN_S * sample_rate_hz)
        self._held: npt.NDArray[np.float32] = np.zeros(self._margin, dtype=np.float32)
        self._first = -self._margin
        self._pulses: list[_Pulses] = []
        self._waiting = 0
        self._rows: list[Floats] = []

    def feed(self, samples: npt.ArrayLike) -> None:
        """Take the next samples, (frames,); NaN counts as silence."""
        block = np.asarray(samples, dtype=np.float32)
        if not np.isfinite(block).all():
            block = np.nan_to_num(block)
        self._held = np.concatenate([self._held, block])
        if len(self._held) > 4 * self._margin:
            self._look(len(self._held) - self._margin)
            cut = len(self._held) - 2 * self._margin
            self._held = self._held[cut:].copy()
            self._first += cut

    def pass_over(self, frames: int) -> None:
        """Go on after so many frames that were not kept."""
        rest = np.full(self._margin, np.median(self._held[-self._margin :]), dtype=np.float32)
        stop = len(self._held)
        self._held = np.concatenate([self._held, rest])
        self._look(stop)
        self._held = rest
        self._first += stop + frames - self._margin

    def finish(self) -> MarkerEdges:
        """Give all pulses."""
        end = len(self._held)
        self._held = np.concatenate([self._held, np.zeros(self._margin, dtype=np.float32)])
        self._look(end)
        self._measure()
        table = np.concatenate(self._rows) if self._rows else np.zeros((0, 4))
        if len(table):
            # a click is no marker: keep what is about as high as most
            usual = np.median(table[:, 3])
            table = table[(table[:, 3] / usual > 0.6) & (table[:, 3] / usual < 1.67)]
        away = np.abs(table[:, 2:3] - self._widths_us)
        code = np.full(len(table), -1, dtype=np.int64)
        if len(self._widths_us) and len(table):
            near = away.min(axis=1) <= WIDTH_TOLERANCE_US
            code[near] = away.argmin(axis=1)[near]
        return MarkerEdges(table[:, 0], table[:, 1], table[:, 2], code, table[:, 3])

    def _look(self, stop: int) -> None:
        """Take the pulses that begin between the margin and ``stop`` of what is held."""
        held = self._held
        low, high = float(held.min()), float(held.max())
        some = held[::61]
        rest = float(np.median(some))
        up = high - rest >= rest - low
        height = (high - rest) if up else (rest - low)
        spread = 1.4826 * float(np.median(np.abs(some - rest)))
        if height < max(LEAST_LEVEL, LEAST_SNR * spread):
            return
        above = held > rest + 0.35 * height if up else held < rest - 0.35 * height
        edges = np.flatnonzero(above[1:] != above[:-1])
        rising = above[edges + 1]
        rises, falls = edges[rising], edges[~rising]
        rises = rises[(rises >= self._margin) & (rises < stop) & (rises < len(held) - 2 * TAPS)]
        after = np.searchsorted(falls, rises)
        rises, after = rises[after < len(falls)], after[after < len(falls)]
        falls = falls[after]
        whole = falls < len(held) - TAPS - 1
        rises, falls = rises[whole], falls[whole]
        width = falls - rises
        long = width * 1e6 / self.sample_rate_hz > 0.5 * self._widths_us.min(initial=100.0)
        rises, falls, width = rises[long], falls[long], width[long]
        if not len(rises):
            return
        # the middle half of each pulse: its edges ring
        low, high = rises + 1 + width // 4, falls + 1 - width // 4
        top = np.array([held[i:j].mean(dtype=float) for i, j in zip(low, high, strict=True)])
        ends = np.stack([rises, falls])
        self._pulses.append(
            _Pulses(
                near=ends + self._first,
                rows=held[ends[:, :, None] + np.arange(-TAPS, TAPS + 2)],
                top=top,
                spread=np.full(len(top), spread),
            )
        )
        self._waiting += len(rises)
        if self._waiting >= MANY:
            self._measure()

    def _measure(self) -> None:
        """Measure the pulses seen since the last time: together, for few at once cost as much."""
        if not self._pulses:
            return
        pulses = _Pulses.join(self._pulses)
        self._pulses, self._waiting = [], 0
        rows, top = pulses.rows.astype(np.float64), pulses.top
        base = rows[0, :, TAPS - 14 : TAPS - 5].mean(axis=1)
        half = 0.5 * (base + top)
        begin = pulses.near[0] + _passing(rows[0] - half[:, None], top > base)
        end = pulses.near[1] + _passing(rows[1] - half[:, None], top < base)
        noise = np.maximum(pulses.spread, 1e-9)
        u = np.hypot(U_FLOOR_FRAMES, noise / np.maximum(0.5 * np.abs(top - base), 1e-12))
        width_us = (end - begin) * 1e6 / self.sample_rate_hz
        self._rows.append(np.stack([begin, u, width_us, top - base], axis=1))


def _passing(rows: Floats, rising: npt.NDArray[np.bool_]) -> Floats:
    """Where zero is passed, between a sample before the middle of the rows and two after."""
    rows[~rising] *= -1.0
    fine, kernel = _interpolation()
    values = rows @ kernel
    passed = (values[:, 1:] >= 0) & (values[:, :-1] < 0)
    # the passing nearest to where the samples cross
    cost = np.where(passed, np.abs(fine[:-1] + 0.5 / _FINE - 0.5), np.inf)
    k = cost.argmin(axis=1)
    row = np.arange(len(rows))
    low, high = values[row, k], values[row, k + 1]
    share = np.where(high > low, -low / np.where(high > low, high - low, 1.0), 0.5)
    return np.asarray(fine[k] + np.clip(share, 0.0, 1.0) / _FINE)


@functools.cache
def _interpolation() -> tuple[Floats, Floats]:
    """Places from a sample before to two after, and the Kaiser-windowed sincs that lead there."""
    fine = np.arange(-1.0, 2.0 + 0.5 / _FINE, 1.0 / _FINE)
    offset = fine[None, :] - np.arange(-TAPS, TAPS + 2)[:, None]
    window = np.i0(8.0 * np.sqrt(np.maximum(1 - (offset / (TAPS + 1)) ** 2, 0)))
    kernel = np.sinc(offset) * window
    return fine, kernel / kernel.sum(axis=0)


def find_markers(
    samples: npt.NDArray[np.floating], sample_rate_hz: float, widths_us: Sequence[float]
) -> MarkerEdges:
    """Find the marker pulses of a whole channel, (frames,). Empty or silent: none."""
    finder = MarkerFinder(sample_rate_hz, widths_us)
    finder.feed(samples)
    return finder.finish()
