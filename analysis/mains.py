"""Mains hum in silence: the level of each of its lines, with an interval."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, stats

from analysis.hum import MAINS_HZ

Array = NDArray[np.float64]

SHARED_HZ = 300.0
"""Multiples of it belong to both mains: by themselves they don't tell which it is."""
MOST_OFF_HZ = 0.5
"""So far the mains may be from what they should be."""
STANDS_OUT_DB = 10.0
_STRETCH_S, _LEAST_STRETCH_S = 0.5, 0.1
"""Silence is cut into stretches: the mains wander little in one, and lines 50 Hz apart part in the
least."""
_RATE_HZ = 4000.0
_AROUND_HZ = (4.0, 24.0)
_SEARCH_STEP_HZ = 0.02
_SEARCH_POINTS = 1 << 16


@dataclasses.dataclass(frozen=True, kw_only=True)
class MainsLine:
    """A line: nominal frequency, amplitude in dB below full scale and its bounds.

    ``above_db``: over the noise beside it; ``count``: stretches that it was heard in.
    """

    frequency_hz: float
    level_dbfs: float
    low_dbfs: float
    high_dbfs: float
    above_db: float
    count: int


def mains_lines(
    samples: ArrayLike,
    sample_rate_hz: float,
    *,
    pieces: Sequence[int] = (),
    harmonics: int = 8,
    confidence: float = 0.95,
) -> tuple[list[MainsLine], float]:
    """Find mains hum: lines at multiples of 50 or 60 Hz that stand out of the noise beside them.

    Sines of one common frequency are fitted to each stretch of the silence by least squares, so
    that it matters neither where a line lies between the bins of a spectrum, nor that the phase
    jumps where silences were joined. Noise adds to a squared amplitude; its own is taken off. The
    bounds are those of the noncentral chi-square law that the summed squares follow in normal
    noise (Groth 1975, Astrophys. J. Suppl. 29:285, from memory), for the rms of the amplitude over
    the silence.

    Parameters
    ----------
    samples
        Shape (samples,), finite: silence.
    sample_rate_hz
        Of the samples.
    pieces
        Numbers of samples of the silences that were joined; empty: it is one.
    harmonics
        Lines looked for.
    confidence
        Of the bounds.

    Returns
    -------
    lines
        Of the mains with more power in its lines; empty where none stands out by
        ``STANDS_OUT_DB``, or multiples of ``SHARED_HZ`` alone, or no piece holds a tenth of a
        second.
    mains_hz
        50, 60 or 0.
    """
    stretches, rate_hz, step = _stretches(samples, sample_rate_hz, pieces)
    best: tuple[list[MainsLine], float] = ([], 0.0)
    best_power = 0.0
    if not stretches:
        return best
    spectrum = _spectrum(stretches)
    for mains_hz in MAINS_HZ:
        count = min(harmonics, int((rate_hz / 2.0 - _AROUND_HZ[1]) // mains_hz))
        own = _own_frequency(spectrum, rate_hz, mains_hz, count)
        lines = _lines(stretches, rate_hz, own, count, confidence)
        if all(number * mains_hz % SHARED_HZ == 0.0 for number, _ in lines):
            continue
        # means over a few samples weaken what is fast
        known = [
            _shifted(line, -_gain_db(line.frequency_hz * own / mains_hz, sample_rate_hz, step))
            for line in (dataclasses.replace(o, frequency_hz=n * mains_hz) for n, o in lines)
        ]
        total = sum(10.0 ** (line.level_dbfs / 10.0) for line in known)
        if total > best_power:
            best, best_power = (known, mains_hz), total
    return best


def _stretches(
    samples: ArrayLike, sample_rate_hz: float, pieces: Sequence[int]
) -> tuple[list[Array], float, int]:
    """Cut silence into stretches about their means, at a rate that is enough for hum."""
    x = np.asarray(samples, dtype=float).ravel()
    step = max(1, int(sample_rate_hz // _RATE_HZ))
    rate_hz = sample_rate_hz / step
    found = []
    for piece in np.split(x, np.cumsum(pieces)[:-1]) if len(pieces) else [x]:
        slow = piece[: piece.size // step * step].reshape(-1, step).mean(axis=1)
        if slow.size >= _LEAST_STRETCH_S * rate_hz:
            found += np.array_split(slow, math.ceil(slow.size / (_STRETCH_S * rate_hz)))
    return [one - one.mean() for one in found], rate_hz, step


def _spectrum(stretches: list[Array]) -> Array:
    """Summed power of all stretches, on a fine grid of frequencies."""
    total = np.zeros(_SEARCH_POINTS // 2 + 1)
    for one in stretches:
        total += np.abs(np.fft.rfft(one * np.hanning(one.size), _SEARCH_POINTS)) ** 2
    return total


def _own_frequency(spectrum: Array, rate_hz: float, mains_hz: float, count: int) -> float:
    """Frequency of these mains, near ``mains_hz``, at which the lines hold most."""
    tried = mains_hz + np.arange(-MOST_OFF_HZ, MOST_OFF_HZ + 1e-9, _SEARCH_STEP_HZ)
    at_hz = np.fft.rfftfreq(_SEARCH_POINTS, 1.0 / rate_hz)
    held = np.interp(np.outer(range(1, count + 1), tried), at_hz, spectrum).sum(axis=0)
    k = int(np.argmax(held))
    if not 0 < k < tried.size - 1:
        return float(tried[k])
    before, most, after = held[k - 1 : k + 2]
    bend = before - 2.0 * most + after
    off = 0.5 * (before - after) / bend if bend < 0.0 else 0.0
    return float(tried[k] + off * _SEARCH_STEP_HZ)


def _lines(
    stretches: list[Array], rate_hz: float, own_hz: float, count: int, confidence: float
) -> list[tuple[int, MainsLine]]:
    """Fit all lines to each stretch, and give those that stand out, by their number."""
    numbers = np.arange(1, count + 1)
    power = np.zeros(count)
    beside: list[list[Array]] = [[] for _ in numbers]
    for one in stretches:
        turn = 2.0 * np.pi * own_hz / rate_hz * np.outer(np.arange(one.size), numbers)
        waves = np.hstack([np.cos(turn), np.sin(turn)])
        parts = np.linalg.lstsq(waves, one, rcond=None)[0]
        power += one.size * (parts[:count] ** 2 + parts[count:] ** 2)
        left = np.abs(np.fft.rfft(one - waves @ parts)) ** 2 * 4.0 / one.size
        at_hz = np.fft.rfftfreq(one.size, 1.0 / rate_hz)
        for into, number in zip(beside, numbers, strict=True):
            off = np.abs(at_hz - number * own_hz)
            into.append(left[(off > _AROUND_HZ[0]) & (off < _AROUND_HZ[1])])
    size, heard = sum(map(len, stretches)), len(stretches)
    found = []
    for number, held, around in zip(numbers, power, beside, strict=True):
        # a squared amplitude times the samples, over twice their variance, is chi-square
        variance = _mean_of_lower(np.concatenate(around)) / 4.0
        if not held > 2.0 * variance * 2 * heard * 10.0 ** (STANDS_OUT_DB / 10.0):
            continue
        unit = 2.0 * variance / size
        squares = (held / size - unit * 2 * heard, *_bounds(held / size, unit, heard, confidence))
        value, low, high = (10.0 * math.log10(square) for square in squares)
        found.append(
            (
                int(number),
                MainsLine(
                    frequency_hz=number * own_hz,
                    level_dbfs=value,
                    low_dbfs=low,
                    high_dbfs=high,
                    above_db=10.0 * math.log10(held / (2.0 * variance * 2 * heard))
                    if variance > 0.0
                    else math.inf,
                    count=heard,
                ),
            )
        )
    return found


def _mean_of_lower(powers: Array) -> float:
    """Mean of exponential values from their lower three quarters, free of a few strong ones.

    Of them the mean is 1 - ln(4) / 3 of that of all (integral of the exponential law to its
    quartile).
    """
    lower = np.sort(powers)[: max(1, powers.size * 3 // 4)]
    return float(lower.mean()) / (1.0 - math.log(4.0) / 3.0)


def _bounds(square: float, unit: float, heard: int, confidence: float) -> tuple[float, float]:
    """Bounds of a mean squared amplitude; ``square`` over ``unit`` is noncentral chi-square."""
    if not unit > 0.0:
        return square, square
    seen, freedom = square / unit, 2.0 * heard
    tail = 0.5 * (1.0 - confidence)
    reach = 10.0 * (math.sqrt(seen) + 10.0)
    least = max(1e-9, seen - freedom - reach)

    def bound(chance: float) -> float:
        def off(noncentral: float) -> float:
            return float(stats.ncx2.cdf(seen, freedom, noncentral)) - chance

        # noise alone may do as much, at such a confidence
        return least if off(least) <= 0.0 else float(optimize.brentq(off, least, seen + reach))

    return unit * bound(1.0 - tail), unit * bound(tail)


def _gain_db(frequency_hz: float, sample_rate_hz: float, step: int) -> float:
    """Gain of a mean over ``step`` samples."""
    half = math.pi * frequency_hz / sample_rate_hz
    return 20.0 * math.log10(math.sin(step * half) / (step * math.sin(half)))


def _shifted(line: MainsLine, by_db: float) -> MainsLine:
    return dataclasses.replace(
        line,
        level_dbfs=line.level_dbfs + by_db,
        low_dbfs=line.low_dbfs + by_db,
        high_dbfs=line.high_dbfs + by_db,
    )
