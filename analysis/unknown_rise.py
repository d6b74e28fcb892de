"""The moment a sound of unknown make first passes a level, by all the ways in which it may grow.

Recorded drums, cymbals and hands begin in any manner: with a jump, a slope, a shelf, a slow bend,
or ripples that come before every sharp start that was band-limited. So the sound is a Gaussian
process that grows: one of several correlations over time, times one of several envelopes. Each pair
explains the samples more or less well (its marginal likelihood); waveforms are drawn from what the
pairs and the noise leave possible, and where each first passes the level is read off. Their mean is
the onset, their spread its uncertainty, which ripple it was included.

Sources: Rasmussen and Williams, Gaussian Processes for Machine Learning (2006), eq. 2.30 (marginal
likelihood), 4.17 (Matern 5/2); draws by Matheron's rule (Journel and Huijbregts, Mining
Geostatistics, 1978, conditional simulation). From memory.
"""

from __future__ import annotations

import functools
import itertools

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

ROWS_S = 0.002
"""Samples of so long before the level is reached are looked at."""
AFTER = 1
"""Samples after the one that reaches the level: what follows may be a hundred times as large."""
LEVEL_THRESHOLDS = 2.0
"""The level is so many times the threshold ..."""
LEVEL_NOISE = 6.0
"""... and at least so many times the rms of the noise, which does not reach that by itself."""
FLAT, EDGE, SMOOTH = "flat", "edge", "smooth"
Part = tuple[str, float]
CORRELATIONS: tuple[tuple[float, tuple[Part, ...]], ...] = (
    (0.12, ((FLAT, 21e3),)),
    (0.06, ((EDGE, 20e3),)),
    (0.23, ((SMOOTH, 40e-6),)),
    (0.13, ((SMOOTH, 100e-6),)),
    (0.11, ((SMOOTH, 250e-6),)),
    (0.14, ((SMOOTH, 600e-6),)),
    (0.05, ((SMOOTH, 40e-6), (FLAT, 21e3))),
    (0.06, ((SMOOTH, 40e-6), (EDGE, 20e3))),
    (0.03, ((SMOOTH, 250e-6), (EDGE, 20e3))),
    (0.07, ((SMOOTH, 600e-6), (FLAT, 21e3))),
)
"""Share of sounds, and the parts whose mean is the correlation: ``flat`` up to a frequency (Hz),
``edge`` (4 kHz wide: ripples of a filter at the edge of what is audible), ``smooth`` over a time
(s; Matern 5/2). Shares, here and below, are the likeliest for one half of the recorded sounds."""
GROWTH, SLOPE = "growth", "slope"
SLOPE_POWER = 1.5
ENVELOPES: tuple[tuple[float, str, float], ...] = (
    (0.14, GROWTH, 25e-6),
    (0.23, GROWTH, 40e-6),
    (0.18, GROWTH, 80e-6),
    (0.14, GROWTH, 160e-6),
    (0.09, GROWTH, 320e-6),
    (0.01, GROWTH, 640e-6),
    (0.01, GROWTH, 1280e-6),
    (0.03, SLOPE, 60e-6),
    (0.05, SLOPE, 120e-6),
    (0.02, SLOPE, 250e-6),
    (0.05, SLOPE, 500e-6),
    (0.03, SLOPE, 1000e-6),
    (0.02, SLOPE, 1700e-6),
)
"""Share of sounds, shape, and time (s): ``growth`` e-fold in each such time; ``slope``: from
nought, so long before the level is reached. Each is 1 where the level is reached."""
PAIRS = tuple(itertools.product(range(len(CORRELATIONS)), range(len(ENVELOPES))))
MOST_ENVELOPE = 10.0
FINE = 2
"""Places a sample at which waveforms are drawn; between them a parabola tells."""
DRAWS = 100
FEW = 6
"""Rows at once: more of them would wake further processors, which costs more than it saves."""
LEAST_DB, MOST_DB, STEP_DB = 15.5, 33.5, 6.0
"""Level over noise for which all is made ready: the nearest is used. Where the noise is less than
the least of them it is taken for that: other things then limit what is known."""
TAIL_NOISE, TAIL_SMOOTH_S = 2.5, 500e-6
"""Rms of a tail under the rise, where one may be, over that of the noise (more would be seen), and
over what time it is smooth."""
SPREAD = 1.1
"""True over stated spread: no sound is quite any of these processes. This and what follows are from
one half of the recorded sounds (the tests say which); the other half tests them."""
HIDDEN_U_S = 20e-6
"""For each square of ln(level / (2 thresholds)): a beginning unlike the rest may lie hidden in the
noise."""
LEAST_U_S = 4e-6
"""What the parabola leaves, and what the process smooths."""


def level_of(threshold: Floats, noise_rms: float) -> Floats:
    """Magnitude up to which a rise is looked at."""
    return np.maximum(LEVEL_THRESHOLDS * threshold, LEVEL_NOISE * noise_rms)


def _part(apart_s: Floats, part: Part) -> Floats:
    kind, scale = part
    if kind == FLAT:
        return np.asarray(np.sinc(2.0 * scale * apart_s))
    if kind == EDGE:
        return np.asarray(np.cos(2.0 * np.pi * scale * apart_s) * np.sinc(4000.0 * apart_s))
    x = np.sqrt(5.0) * np.abs(apart_s) / scale
    return np.asarray((1.0 + x + x * x / 3.0) * np.exp(-x))


def _correlation(which: int, at_s: Floats, other_s: Floats) -> Floats:
    apart_s = at_s[:, None] - other_s
    parts = CORRELATIONS[which][1]
    return np.asarray(sum(_part(apart_s, part) for part in parts)) / len(parts)


def _envelope(which: int, at_s: Floats) -> Floats:
    _, kind, time_s = ENVELOPES[which]
    if kind == GROWTH:
        return np.minimum(np.exp(at_s / time_s), MOST_ENVELOPE)
    return np.asarray(np.maximum(1.0 + at_s / time_s, 0.0) ** SLOPE_POWER)


def row_length(sample_rate_hz: float) -> int:
    """Samples in a row."""
    return round(ROWS_S * sample_rate_hz)


def _times(length: int, rate_hz: float, fine: int = 1) -> Floats:
    """Times (s) of a row's samples after the one that reaches the level."""
    return (np.arange(fine * (length - 1) + 1) / fine - (length - 1 - AFTER)) / rate_hz


@functools.lru_cache(maxsize=64)
def _drawing(which: int, length: int, rate_hz: float) -> tuple[Floats, Floats]:
    """Factor of a correlation at the fine places, and the correlation between those and a row."""
    fine_s = _times(length, rate_hz, FINE)
    power, shapes = np.linalg.eigh(_correlation(which, fine_s, fine_s))
    kept = power > 1e-7 * power[-1]
    return shapes[:, kept] * np.sqrt(power[kept]), _correlation(
        which, fine_s, _times(length, rate_hz)
    )


@functools.lru_cache(maxsize=4)
def _explaining(
    level_db: float, length: int, rate_hz: float, tail: bool
) -> tuple[npt.NDArray[np.float32], Floats]:
    """Of each pair: inverse covariance of a row (in noise rms), and log of share and volume."""
    at_s = _times(length, rate_hz)
    noise = np.eye(length)
    if tail:
        noise += _tail(length, rate_hz) @ _tail(length, rate_hz).T
    inverse = np.empty((len(PAIRS), length, length), dtype=np.float32)
    constant = np.empty(len(PAIRS))
    like = [_correlation(which, at_s, at_s) for which in range(len(CORRELATIONS))]
    for row, (which, grown) in enumerate(PAIRS):
        size = 10.0 ** (level_db / 20.0) * _envelope(grown, at_s)
        whole = size[:, None] * size * like[which] + noise
        inverse[row] = np.linalg.inv(whole)
        share = CORRELATIONS[which][0] * ENVELOPES[grown][0]
        constant[row] = np.log(share) - 0.5 * np.linalg.slogdet(whole)[1]
    return inverse, constant


@functools.lru_cache(maxsize=4)
def _tail(length: int, rate_hz: float) -> Floats:
    """Factor of the covariance of a tail: (length, parts)."""
    at_s = _times(length, rate_hz)
    power, shapes = np.linalg.eigh(_part(at_s[:, None] - at_s, (SMOOTH, TAIL_SMOOTH_S)))
    kept = power > 1e-4 * power[-1]
    return np.asarray(TAIL_NOISE * shapes[:, kept] * np.sqrt(power[kept]))


def first_passing(
    rows: Floats,
    threshold: Floats,
    noise_rms: float,
    sample_rate_hz: float,
    tail: bool = False,
) -> tuple[Floats, Floats]:
    """Tell where sounds first pass a threshold.

    Parameters
    ----------
    rows
        (strokes, length) samples, ``row_length`` of them; the one ``AFTER`` before the last is the
        first to reach ``level_of`` the threshold.
    threshold
        (strokes,) magnitude whose first passing is asked for.
    noise_rms
        Rms of the noise, taken for white.
    sample_rate_hz
        Rate.
    tail
        Something smooth may lie under the rise: a weak tail, hum that is left.

    Returns
    -------
    at, u
        (strokes,) passing, in samples after the first of the row, and its standard uncertainty.
    """
    at, u = np.zeros(len(rows)), np.zeros(len(rows))
    length = rows.shape[1]
    level = level_of(threshold, noise_rms)
    noise = np.maximum(noise_rms, level / 10.0 ** (MOST_DB / 20.0))
    over_db = 20.0 * np.log10(level / noise)
    steps = np.round((over_db - LEAST_DB) / STEP_DB).astype(np.int64)
    scaled = rows / noise[:, None]
    for step in np.unique(steps):
        level_db = LEAST_DB + STEP_DB * float(step)
        inverse, constant = _explaining(level_db, length, sample_rate_hz, tail)
        some = np.flatnonzero(steps == step)
        chance = np.empty((len(some), len(PAIRS)))
        for begin in range(0, len(some), FEW):
            few = scaled[some[begin : begin + FEW]].T.astype(np.float32)
            unlike = np.sum((inverse @ few) * few, axis=1)
            chance[begin : begin + FEW] = (constant[:, None] - 0.5 * unlike).T
        chance = np.exp(chance - chance.max(axis=1, keepdims=True))
        for row, weight in zip(some, chance, strict=True):
            drawn = _draw(scaled[row], weight, level_db, sample_rate_hz, inverse, tail)
            passing = _passing(drawn, threshold[row] / noise[row])
            at[row], u[row] = passing.mean(), passing.std()
    hidden = np.log(np.maximum(level / (LEVEL_THRESHOLDS * threshold), 1.0))
    unseen = np.hypot(HIDDEN_U_S * hidden**2, LEAST_U_S) * sample_rate_hz
    return at, np.hypot(SPREAD * u, unseen)


def _draw(
    row: Floats,
    weight: Floats,
    level_db: float,
    rate_hz: float,
    inverse: npt.NDArray[np.float32],
    tail: bool,
) -> Floats:
    """Waveforms at the fine places that the samples leave possible: (draws, places)."""
    # the same numbers for each row, so that it does not matter what it is looked at with
    rng = np.random.default_rng(0)
    length = len(row)
    up_to = np.floor(np.cumsum(weight) / weight.sum() * DRAWS + rng.uniform())
    counts = np.diff(up_to, prepend=0.0).astype(np.int64)
    fine_s = _times(length, rate_hz, FINE)
    out = []
    for pair in np.flatnonzero(counts):
        which, grown = PAIRS[pair]
        count = int(counts[pair])
        factor, across = _drawing(which, length, rate_hz)
        size = 10.0 ** (level_db / 20.0) * _envelope(grown, fine_s)[:, None]
        free = size * (factor @ rng.normal(size=(factor.shape[1], count)))
        seen = free[::FINE] + rng.normal(size=(length, count))
        if tail:
            under = _tail(length, rate_hz)
            seen += under @ rng.normal(size=(under.shape[1], count))
        missing = inverse[pair].astype(np.float64) @ (row[:, None] - seen)
        out.append(free + size * (across @ (size[::FINE] * missing)))
    return np.concatenate(out, axis=1).T


def _passing(waves: Floats, threshold: float) -> Floats:
    """First passing of each waveform, in samples; the last place where there is none."""
    size = np.abs(waves)
    before, here, after = size[:, :-2], size[:, 1:-1], size[:, 2:]
    bend = before - 2.0 * here + after
    up = np.sign(waves)
    crest = (here >= before) & (here >= after) & (bend < 0)
    crest &= (up[:, :-2] == up[:, 1:-1]) & (up[:, 2:] == up[:, 1:-1])
    top = size.copy()
    higher = (before - after) ** 2 / (8.0 * np.maximum(-bend, 1e-30))
    top[:, 1:-1] = np.where(crest, here + higher, here)
    above = top >= threshold
    above[:, -1] = True
    first = np.argmax(above, axis=1)
    middle = np.clip(first, 1, waves.shape[1] - 2)
    rows = np.arange(len(waves))
    sign = up[rows, middle]
    low, mid, high = (sign * waves[rows, middle + k] for k in (-1, 0, 1))
    # the rising root of the parabola through three places, or a straight line where it has none
    second, slope = 0.5 * (low - 2.0 * mid + high), 0.5 * (high - low)
    second = np.where(np.abs(second) < 1e-9, 1e-9, second)
    root = np.sqrt(np.maximum(slope**2 - 4.0 * second * (mid - threshold), 0.0)) - slope
    root /= 2.0 * second
    rise = np.where(mid > low, mid - low, 1.0)
    line = np.clip((threshold - mid) / rise, -1.0, 0.0)
    step = np.where(np.abs(root) <= 1.0, root, line)
    return np.asarray((middle + np.where(first == 0, -1.0, step)) / FINE)
