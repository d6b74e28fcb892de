"""How each detector setting is chosen from recorded strokes; the rules that :mod:`advise` explains.

Every rule is a plain statement about the strokes: the shortest peak window that reaches the first
peak with a consistent level, the shortest dead time that keeps strokes from doubling, and so on.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
from numpy.typing import NDArray

from analysis.detector import Envelopes, pooled_spread_db
from analysis.front import SOFTER_DB, recovery_gap_ms
from analysis.rearming import rises
from analysis.sensor import Noise
from analysis.sensor import strokes as describe

Array = NDArray[np.float64]

FIRST_PEAK_MS = 3.0
"""The first peak is the highest level within this time of the onset."""
PEAK_REACHED_DB = 0.5
"""A window reaches the first peak when its level comes within this of it."""
SPREAD_MORE = 1.1
"""A level is consistent when it spreads by no more than this times the best window's spread."""
SHARE_OF_STROKES = 0.95
WINDOW_GRID_MS = np.arange(0.3, 6.001, 0.05)
LONGEST_DEAD_MS = 60.0
LATE_MS = 20.0
"""Late peaks have come by then; what still re-triggers is a slow end of the sound."""
WINDOW_MARGIN_MS = 0.1
RELEASES = (1.1, 1.2, 1.35, 1.5, 1.75, 2.0)
"""Releases that are tried, over the natural decay."""
LATEST_PEAK_MS = 40.0
"""No pad sends a peak back later than this."""
AGAIN_SHARE = 0.4
LOUD_OVER_NOISE = 100.0


def hardest_level(strokes: Envelopes) -> float:
    """Return the first peak that 95 % of the hardest strokes stay below, as recorded."""
    first = first_peaks(strokes)
    forces = strokes.force_n
    known = np.isfinite(forces)
    hardest = forces == forces[known].max() if known.any() else first >= np.quantile(first, 0.9)
    return float(np.quantile(first[hardest], SHARE_OF_STROKES))


def softest_level(strokes: Envelopes) -> float:
    """Return the first peak that 95 % of the softest strokes pass, as recorded."""
    first = first_peaks(strokes)
    forces = strokes.force_n
    known = np.isfinite(forces)
    softest = forces == forces[known].min() if known.any() else first <= np.quantile(first, 0.1)
    return float(np.quantile(first[softest], 1.0 - SHARE_OF_STROKES))


def first_peaks(strokes: Envelopes) -> Array:
    """Return the first peak of each stroke."""
    end = strokes.onset + max(1, strokes.samples_of(FIRST_PEAK_MS))
    return np.asarray(strokes.level[:, strokes.onset : end].max(axis=1), dtype=float)


def sounds_again(strokes: Envelopes) -> NDArray[np.bool_]:
    """Tell which strokes are loud again long after: another one was in their sound."""
    late = strokes.level[:, strokes.onset + strokes.samples_of(LATEST_PEAK_MS) :]
    if late.shape[1] == 0:
        return np.zeros(len(strokes), dtype=bool)
    return np.asarray(late.max(axis=1) > AGAIN_SHARE * first_peaks(strokes))


def threshold_percent(noise: Noise, softest: float, gain_db: float, false_per_h: float) -> float:
    """Choose a threshold: twice the level that noise passes so often, or less for soft strokes.

    Twice, since the module's own noise comes on top and is not heard by the bench; where the
    softest strokes lie near, half way (in decibels) between noise and them; never below the noise.
    """
    floor = noise.level_for(false_per_h)
    level = max(floor, min(2.0 * floor, math.sqrt(floor * softest)))
    return float(100.0 * level * 10.0 ** (gain_db / 20.0))


def peak_window_ms(strokes: Envelopes, threshold_percent: float, gain_db: float) -> float:
    """Choose the shortest peak window whose level is consistent and reaches the first peak.

    NaN where no stroke triggers.
    """
    scaled = strokes.scaled(gain_db)
    running = np.maximum.accumulate(scaled.level, axis=1)
    above = running > threshold_percent / 100.0
    heard = above[:, -1]
    if not heard.any():
        return math.nan
    trigger = above.argmax(axis=1)[heard]
    end = np.minimum(
        trigger[:, None] + np.maximum(1, np.rint(WINDOW_GRID_MS * strokes.rate_hz / 1e3)) - 1,
        running.shape[1] - 1,
    ).astype(int)
    levels = running[heard][np.arange(len(trigger))[:, None], end]
    first = first_peaks(scaled)[heard]
    reached = (levels >= first[:, None] * 10.0 ** (-PEAK_REACHED_DB / 20.0)).mean(axis=0)
    spread = np.array([pooled_spread_db(column, strokes.force_n[heard]) for column in levels.T])
    # with no force struck twice there is no spread to go by
    consistent = np.ones(len(spread), dtype=bool)
    if np.isfinite(spread).all():
        consistent = spread <= SPREAD_MORE * spread[WINDOW_GRID_MS <= FIRST_PEAK_MS].min() + 0.02
    good = consistent & (reached >= SHARE_OF_STROKES)
    return float(WINDOW_GRID_MS[int(good.argmax())]) if good.any() else float(WINDOW_GRID_MS[-1])


def natural_decay_ms(strokes: Envelopes, noise: Noise) -> float:
    """Return the time in which the sound's envelope falls to 1/e: the slow ones of loud strokes.

    NaN where no stroke is 40 dB above the noise: a soft one's decay drowns.
    """
    table = describe(strokes)
    loud = table["peak_dbfs"] > 20.0 * math.log10(LOUD_OVER_NOISE * noise.rms)
    decays = table["decay_ms"][loud].dropna()
    return float(decays.quantile(0.9)) if len(decays) else math.nan


def recovery_times_ms(
    strokes: Envelopes, threshold_percent: float, window_ms: float, release_ms: float,
    gain_db: float,
) -> Array:  # fmt: skip
    """Return from which dead time on each stroke no longer doubles; 0 where it does not trigger.

    Sample t, of level a over the threshold, passes a level that falls from the peak p since the end
    d of the dead time where ``a > p exp(-(t - d) / release)``: that is, where d lies before both t
    and ``t + release ln(a / p)``. The latest such d of all samples is what is sought, exactly, for
    whatever dead time; no grid is needed.
    """
    level = strokes.scaled(gain_db).level
    count, length = level.shape
    threshold = threshold_percent / 100.0
    running = np.maximum.accumulate(level, axis=1)
    heard = running[:, -1] > threshold
    trigger = (running > threshold).argmax(axis=1)
    end = trigger + max(1, strokes.samples_of(window_ms))
    peak = running[np.arange(count), np.minimum(end - 1, length - 1)]
    place = np.arange(length, dtype=np.float32)
    release_n = np.float32(release_ms * strokes.rate_hz / 1e3)
    with np.errstate(divide="ignore"):
        latest = place + np.minimum(release_n * np.log(level / peak[:, None]), np.float32(0.0))
    latest[(level <= threshold) | (place < end[:, None])] = -np.inf
    # the detector looks at whole samples
    blind_n = np.floor(latest.max(axis=1)) + 1.0 - trigger
    return np.where(heard, np.maximum(blind_n, 0.0) * 1e3 / strokes.rate_hz, 0.0)


def recovery_ms(
    strokes: Envelopes, noise: Noise, threshold_percent: float, window_ms: float, natural_ms: float,
    gain_db: float,
) -> tuple[float, float]:  # fmt: skip
    """Choose (release, dead time): the release a little slower than the pad, the dead time for it.

    Where that leaves a sound that outlasts the release, the slower release that lets a second
    stroke, ``SOFTER_DB`` softer, be caught soonest.
    """
    sound = rises(strokes, noise, threshold_percent, window_ms, gain_db)
    found = []
    for slower in RELEASES:
        release_ms = round(natural_ms * slower, 1)
        dead_ms = sound.least_dead_ms(release_ms)
        gap_ms = recovery_gap_ms(max(dead_ms, window_ms), release_ms, SOFTER_DB)
        found.append((gap_ms, release_ms, dead_ms))
    return min(found)[1:]


@dataclasses.dataclass(frozen=True, kw_only=True)
class Timing:
    """Threshold and times that go together.

    ``raised``: the threshold is above what noise alone asks for. ``least_dead_ms``: the
    shortest that keeps such strokes from doubling. ``peak_window_ms``: NaN where none triggers.
    """

    threshold_percent: float
    raised: bool
    peak_window_ms: float
    release_ms: float
    least_dead_ms: float


def timing(
    strokes: Envelopes, noise: Noise, natural_ms: float, gain_db: float, false_per_h: float
) -> Timing:
    """Choose threshold, peak window, release and dead time.

    A sensor's slow end, long after the late peaks, may lie just above a threshold that the noise
    allows; the dead time then had to outlast it. Where so, a threshold a little higher is taken
    that ends it, up to half the level of the softest strokes.
    """
    softest = softest_level(strokes)
    least = threshold_percent(noise, softest, gain_db, false_per_h)
    most = 50.0 * softest * 10.0 ** (gain_db / 20.0)
    tried: list[Timing] = []
    for percent in np.geomspace(least, max(least, most), 5 if most > 1.02 * least else 1):
        window_ms = round(peak_window_ms(strokes, percent, gain_db) + WINDOW_MARGIN_MS, 2)
        if not math.isfinite(window_ms):
            break
        release_ms, dead_ms = recovery_ms(strokes, noise, percent, window_ms, natural_ms, gain_db)
        found = Timing(
            threshold_percent=float(percent),
            raised=bool(tried),
            peak_window_ms=window_ms,
            release_ms=release_ms,
            least_dead_ms=dead_ms,
        )
        if dead_ms <= LATE_MS:
            return found
        tried.append(found)
    nothing = Timing(
        threshold_percent=least, raised=False, peak_window_ms=math.nan, release_ms=natural_ms,
        least_dead_ms=math.nan,
    )  # fmt: skip
    return tried[0] if tried else nothing


def input_curve(level: Array, velocity: Array) -> tuple[float, float]:
    """Return the module's full level and exponent, from the levels that gave its velocities.

    ``velocity = 1 + 126 (level / full) ** exponent``, by least squares of logarithms over
    velocities of 5 to 126; levels after the gain in force. NaN with fewer than 10, or all alike.
    """
    use = np.isfinite(level) & np.isfinite(velocity) & (velocity >= 5) & (velocity <= 126)
    use &= level > 0.0
    if use.sum() < 10 or np.ptp(np.log(level[use])) < 0.5:
        return math.nan, math.nan
    x, y = np.log(level[use]), np.log((velocity[use] - 1.0) / 126.0)
    exponent, offset = np.polyfit(x, y, 1)
    return float(math.exp(-offset / exponent)), float(exponent)


def force_exponent(force_n: Array, velocity: Array) -> float:
    """Return the exponent of velocity over force, over velocities of 5 to 126; NaN as above."""
    use = np.isfinite(force_n) & np.isfinite(velocity) & (velocity >= 5) & (velocity <= 126)
    use &= force_n > 0.0
    if use.sum() < 10 or np.ptp(np.log(force_n[use])) < 0.5:
        return math.nan
    slope, _ = np.polyfit(np.log(force_n[use]), np.log((velocity[use] - 1.0) / 126.0), 1)
    return float(slope)
