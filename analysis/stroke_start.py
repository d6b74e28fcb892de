"""Where each stroke starts, below one sample, given its place to about a millisecond."""

from __future__ import annotations

import dataclasses

import numpy as np
import numpy.typing as npt

from analysis.novelty import NEAR_S
from analysis.rise import AHEAD, fit_rise
from analysis.unknown_rise import AFTER, first_passing, level_of, row_length
from analysis.whitening import Predictor

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

ONSET_SHARE = 0.01
"""The onset is where the sound passes this share of its peak."""
LEVEL_SHARE = 0.012
"""The rise is fitted up to this share of the peak, where the noise allows."""
LEVEL_NOISE = 6.0
"""... and at least up to so many times the rms of the noise."""
CHAIN_NOISE = 3.4
"""An earlier sample above so many times the noise's rms belongs to the stroke ..."""
CHAIN_S = 90e-6
"""... if it is no further than this from what is known to be of it."""
CHAIN_STEPS = 12
CHAIN_LEAST = 2.2
"""Ripples of 1 % of the peak are looked for only where that is so many times the noise's rms."""
CHAIN_U_S = 12e-6
"""Of a ripple's first passing of 1 %: which ripple it is depends on the noise (by simulation)."""
SLANT_WINDOW_S, SLANT_ORDER = 0.0012, 1
"""A weak tail, or hum that is left, is a straight line for so long before a rise."""
UNSURE_S = 0.0005
SLANT_SPREAD = 1.3
"""Of what is left when the slant was no line (by simulation)."""
REST_NOISE = 2.5
"""The mean before a rise is its rest where it is so many times what noise makes of it."""
TALLER = 2.5
"""The rise is fitted again up to so much more."""
TAIL_ORDERS = (0, 1, 2)
"""Degrees of what a foretold tail may still leave under a rise; the middle one is used."""
PEAK_SEARCH_S = 0.05
OWN_PEAK_S = 0.0015
"""The peak of a stroke on a ringing tail is looked for so long after its start."""
BACK_S = 0.0012
"""A corner shows up to so long before its hop on the longest scale ..."""
FORE_S = 0.0005
"""... and so long on the shorter ones."""
FOOT_SHARE, FOOT_NOISE_RATIO = 0.02, 6.0
"""Hops of a rise stand above so much of its peak, and above so many times their noise."""
CREST_SHARE = 0.4
FOOT_S, FOOT_CALM_S = 0.003, 0.002
"""A soft blunt stroke may show by its crest alone: its foot is looked for so long before that, and
must follow on a calm as long as the second. It is at its crest where it is so much of its peak."""
SLOW_BACKS = 3
"""A slow beginning of unknown make, where no tail is, is looked for so many times as far back."""
FORESEEN_S = 0.0007
"""How long before that a tail is foretold, to see how well that goes."""
WINDOW_S = 0.0027
TAIL_LEVEL = 1.5
"""On a weak tail the noise may reach so much more."""
FAR_GROUPS, WEAK_TAIL = 32, 52.2
"""Means of so many groups of samples, a few ms before a stroke; their chi-squared about their mean
(31 degrees of freedom), which pure noise passes once in a hundred (tables)."""
FOOT_U_S = 115e-6
"""Of a sound of unknown make on a tail, for each factor e by which what shows above the noise
exceeds 1 % of the peak: so early may a weaker beginning lie, unseen (from recorded sounds)."""
FOOT_NOISE = 3.4
"""What is so many times the noise's rms shows."""
ANYWHERE_U_S = NEAR_S / 3**0.5
"""A tail of unknown make may be new at any hop within that of where a stroke is expected."""
AVERAGES = (1, 4, 16)
"""Samples averaged for slow rises, tried in turn."""


@dataclasses.dataclass(frozen=True)
class Stretch:
    """Samples in which strokes were found.

    Attributes
    ----------
    samples
        (frames,) one channel.
    fast
        The same at the fast rate, hum taken off.
    drone
        Hum and offset at the middle of each hop.
    frames_per_hop, frames_per_fast
        Frames in a hop and in a fast sample.
    noise_rms
        Rms of the noise.
    sample_rate_hz
        Rate.
    """

    samples: npt.NDArray[np.float32]
    fast: Floats
    drone: Floats
    frames_per_hop: int
    frames_per_fast: int
    noise_rms: float
    sample_rate_hz: float

    def clean(self, first: int, stop: int) -> Floats:
        """Samples ``first`` to ``stop`` without hum; silence outside of the stretch."""
        out = np.zeros(stop - first)
        start, end = max(first, 0), min(stop, len(self.samples))
        if end > start:
            middle = (np.arange(len(self.drone)) + 0.5) * self.frames_per_hop - 0.5
            low, high = start // self.frames_per_hop, end // self.frames_per_hop + 2
            near = slice(max(low - 1, 0), high)
            hum = np.interp(np.arange(start, end), middle[near], self.drone[near])
            out[start - first : end - first] = self.samples[start:end] - hum
        return out


@dataclasses.dataclass(frozen=True)
class Starts:
    """Starts of strokes (arrays of length n), in frames of the stretch looked at."""

    frame: Floats
    u_frames: Floats
    peak: Floats
    peak_frame: Floats


@dataclasses.dataclass
class _Rises:
    """First rises of strokes: windows that end just after the level is reached."""

    rows: Floats
    origin: Floats  # frame of the sample after each window
    level: Floats
    threshold: Floats
    noise: Floats
    earliest: Floats  # frame before which no stroke can have begun

    @classmethod
    def room(cls, count: int, window: int) -> _Rises:
        blank = np.zeros(count)
        return cls(
            rows=np.zeros((count, window)),
            origin=blank.copy(),
            level=blank.copy(),
            threshold=blank.copy(),
            noise=blank.copy(),
            earliest=np.full(count, -np.inf),
        )

    def shortened(self, window: int) -> _Rises:
        return dataclasses.replace(self, rows=self.rows[:, -window:])

    def fit(self, order: int) -> tuple[Floats, Floats, Bools]:
        begin = self.origin - self.rows.shape[1]
        at, u, slow = fit_rise(
            self.rows, self.threshold, self.level, self.noise, order, self.earliest - begin
        )
        return begin + at, u, slow


def find_starts(
    stretch: Stretch, coarse: Ints, sure: Bools, predictor: Predictor, contact: bool = True
) -> Starts:
    """Find the start of each stroke.

    Parameters
    ----------
    stretch
        Samples.
    coarse
        (n,) frames at which strokes begin, to about a millisecond.
    sure
        (n,) no stroke begins earlier than a hop before that.
    predictor
        Foretells the tail on which a stroke may sit.
    contact
        Strokes are contact pulses, that rise from nought to their first crest; False: nothing is
        known of how they begin.

    Returns
    -------
    Starts
        u_frames without any floor.
    """
    n = len(coarse)
    at, u = np.zeros(n), np.zeros(n)
    peak, peak_frame = np.zeros(n), np.zeros(n)
    if n == 0:
        return Starts(at, u, peak, peak_frame)
    second = stretch.sample_rate_hz
    fore, back = round(FORE_S * second), round(BACK_S * second)
    if contact:
        coarse, sure = _at_feet(stretch, coarse, sure)
    stops = np.minimum(np.append(coarse[1:] - fore, 2**60), coarse + int(PEAK_SEARCH_S * second))
    ringing, slanted, weak_tail = (np.zeros(n, dtype=bool) for _ in range(3))
    group = max(2 * back // 8, 1)
    for k in range(n):
        lead = SLOW_BACKS * back + FAR_GROUPS * group
        near = stretch.clean(int(coarse[k]) - lead, max(int(stops[k]), int(coarse[k]) + 2 * fore))
        size = np.abs(near)
        top = lead - fore + int(size[lead - fore :].argmax())
        peak[k], peak_frame[k] = size[top], coarse[k] - lead + top
        # a sound that may begin slowly can be loud for some ms before its corner shows
        quiet_until = back if contact else SLOW_BACKS * back
        before = size[lead - quiet_until - 2 * back : lead - quiet_until]
        close = not contact and k > 0 and coarse[k] - coarse[k - 1] < 2 * SLOW_BACKS * back
        ringing[k] = close or before.max() > 5.5 * stretch.noise_rms
        means = near[: (FAR_GROUPS + 8) * group].reshape(-1, group).mean(axis=1)
        means *= np.sqrt(group) / stretch.noise_rms
        slanted[k] = np.abs(means[FAR_GROUPS:]).max() > 5.0
        # a sound that may begin slowly is known by its slowest parts, where tails and hum stay
        weak_tail[k] = FAR_GROUPS * means[:FAR_GROUPS].var() > WEAK_TAIL
    calm = np.flatnonzero(~ringing)
    for tail in (False, True):
        some = np.flatnonzero(~ringing & (weak_tail == tail)) if not contact else calm[:0]
        if len(some):
            at[some], u[some] = _of_unknown_make(
                stretch, coarse[some], peak[some], sure[some], tail
            )
    if len(calm) and contact:
        at[calm], u[calm] = _from_silence(
            stretch, coarse[calm], peak[calm], slanted[calm], sure[calm]
        )
    loud = np.flatnonzero(ringing)
    if len(loud):
        early = np.where(sure[loud], 0, round(UNSURE_S * second))
        at[loud], u[loud], hidden = _from_tails(stretch, coarse[loud] - early, predictor)
        if not contact:
            ratio = np.log(np.maximum(hidden, 1.0))
            anywhere = ANYWHERE_U_S * np.minimum(ratio, 1.0)
            u[loud] = np.hypot(u[loud], second * np.hypot(FOOT_U_S * ratio, anywhere))
    return Starts(at, u, peak, peak_frame)


def _at_feet(stretch: Stretch, coarse: Ints, sure: Bools) -> tuple[Ints, Bools]:
    """Move strokes that were found at their crest to the foot of their rise."""
    hop, second = stretch.frames_per_hop, stretch.sample_rate_hz
    reach, calm = (round(span_s * second / hop) for span_s in (FOOT_S, FOOT_CALM_S))
    back, after = reach + calm, round(FORE_S * second / hop) + 1
    coarse, sure = coarse.copy(), sure.copy()
    previous = np.append(-(2**60), coarse[:-1])
    for k in np.flatnonzero(coarse - previous > 2 * back * hop):
        first = int(coarse[k]) - back * hop
        means = stretch.clean(first, first + (back + after) * hop).reshape(-1, hop).mean(axis=1)
        size = np.abs(means)
        least = FOOT_NOISE_RATIO * stretch.noise_rms / np.sqrt(hop)
        below = np.flatnonzero(size[:back] < max(FOOT_SHARE * float(size.max()), least))
        foot = int(below[-1]) + 1 if len(below) else 0
        rising = (back - foot) * hop > UNSURE_S * second and foot >= calm
        # no more than half of the way to the crest is spent low, or the foot is that of a tail
        high = int(np.argmax(size[foot:] > CREST_SHARE * size.max()))
        crest = foot + int(size[foot:].argmax())
        rising &= foot + high < back and high <= crest - foot - high + 1
        rising &= bool((means[foot:crest] * means[crest] > 0.0).all())
        if rising and np.isin(np.arange(foot - calm, foot), below).all():
            coarse[k], sure[k] = first + foot * hop, False
    return coarse, sure


def _from_silence(
    stretch: Stretch, coarse: Ints, peak: Floats, slanted: Bools, sure: Bools
) -> tuple[Floats, Floats]:
    """Starts of strokes before which there is little but noise; a slow slant, if ``slanted``."""
    n, second, noise = len(coarse), stretch.sample_rate_hz, stretch.noise_rms
    back, hop = round(BACK_S * second), stretch.frames_per_hop
    window = int(WINDOW_S * second) // 4 * 4
    rises, taller = _Rises.room(n, window), _Rises.room(n, window)
    ends = np.zeros(n, dtype=np.int64)
    first, first_u = np.full(n, np.nan), np.zeros(n)
    for k in range(n):
        begin = int(coarse[k]) - back - window
        near = stretch.clean(begin, int(coarse[k]) + back + window + AHEAD + 1)
        rest = float(near[:window].mean())
        if not slanted[k] and abs(rest) > REST_NOISE * noise / np.sqrt(window):
            near -= rest  # a piezo drifts back for a tenth of a second after a stroke
        size = np.abs(near[window:-AHEAD])
        if slanted[k]:
            size[: back - (hop if sure[k] else round(UNSURE_S * second))] = 0.0
        level = min(max(LEVEL_SHARE * peak[k], LEVEL_NOISE * noise), 0.6 * peak[k])
        threshold = ONSET_SHARE * peak[k]
        for which, height in ((rises, level), (taller, min(TALLER * level, 0.6 * peak[k]))):
            end = int(np.argmax(size >= height))
            which.level[k], which.threshold[k], which.noise[k] = height, threshold, noise
            which.origin[k] = begin + window + end + AHEAD + 1
            which.rows[k] = near[end + AHEAD + 1 : end + AHEAD + 1 + window]
        end = int(np.argmax(size >= level))
        ends[k] = begin + window + end
        floor = max(threshold, CHAIN_NOISE * noise, 1.1 * float(np.abs(near[:window]).max()))
        place, first_u[k] = _chain(size, end, threshold, level, floor, round(CHAIN_S * second))
        first[k] = begin + window + place
    at, u, slow = rises.fit(-1)
    other, other_u, _ = taller.fit(-1)
    if slanted.any():
        short = int(SLANT_WINDOW_S * second)
        earliest = np.asarray(coarse - np.where(sure, hop, UNSURE_S * second), dtype=np.float64)
        rises.earliest, taller.earliest = earliest, earliest
        bent, bent_u, _ = rises.shortened(short).fit(SLANT_ORDER)
        at, u = np.where(slanted, bent, at), np.where(slanted, bent_u, u)
        bent, bent_u, _ = taller.shortened(short).fit(SLANT_ORDER)
        other, other_u = np.where(slanted, bent, other), np.where(slanted, bent_u, other_u)
        slow &= ~slanted
    # above a slant the taller rise may tell better: less of it can be taken for the slant
    apart = np.abs(other - at)
    better = slanted & (other_u < u)
    at, u = np.where(better, other, at), np.where(better, other_u, u)
    u = np.where(slanted, SLANT_SPREAD * u, u)
    # a rise that is no power law gives another start when more of it is fitted
    unlike = (apart > 2.0 * np.hypot(u, other_u)) & ~slow
    u[unlike] = np.hypot(u, 0.5 * apart)[unlike]
    for average in AVERAGES[1:]:
        again = np.flatnonzero(slow)
        if not len(again):
            break
        wider = _Rises.room(len(again), window)
        for row, which_row in enumerate(again):
            until = int(ends[which_row]) + average * (AHEAD + 1)
            wider.rows[row] = (
                stretch.clean(until - average * window, until).reshape(-1, average).mean(axis=1)
            )
        wider.origin = np.full(len(again), float(window))
        wider.level, wider.threshold = rises.level[again], rises.threshold[again]
        wider.noise = rises.noise[again] / np.sqrt(average)
        fit, spread, slow[again] = wider.fit(-1)
        # the mean of a group of samples stands for the group's middle
        stop = ends[again] + average * (AHEAD + 1)
        at[again] = stop - average * window + fit * average + 0.5 * (average - 1)
        u[again] = spread * average
    # something of the stroke stood above the noise before the rise that was fitted
    first_u = np.hypot(first_u, CHAIN_U_S * second)
    sooner = (first + 2.0 * first_u < at) & (rises.threshold > CHAIN_LEAST * noise) & ~slanted
    at[sooner], u[sooner] = first[sooner], first_u[sooner]
    return at, u


def _of_unknown_make(
    stretch: Stretch, coarse: Ints, peak: Floats, sure: Bools, tail: bool
) -> tuple[Floats, Floats]:
    """Starts of sounds that may begin in any manner, with little but noise before them."""
    second, noise = stretch.sample_rate_hz, stretch.noise_rms
    back, window = round(BACK_S * second), int(WINDOW_S * second)
    length = row_length(second)
    rows, begin = np.zeros((len(coarse), length)), np.zeros(len(coarse))
    threshold = ONSET_SHARE * peak
    level = np.minimum(level_of(threshold, (TAIL_LEVEL if tail else 1.0) * noise), 0.6 * peak)
    for k in range(len(coarse)):
        start = int(coarse[k]) - SLOW_BACKS * back - window
        near = stretch.clean(start, int(coarse[k]) + back + window)
        rest = float(near[:window].mean())
        if not tail and abs(rest) > REST_NOISE * noise / np.sqrt(window):
            near -= rest
        # a tail may reach the level by itself
        early = stretch.frames_per_hop if sure[k] else round(UNSURE_S * second)
        first = window + (SLOW_BACKS * back - early if tail else 0)
        end = first + int(np.argmax(np.abs(near[first : -AFTER - 1]) >= level[k])) + AFTER + 1
        rows[k], begin[k] = near[end - length : end], start + end - length
    at, u = first_passing(rows, threshold, noise, second, tail)
    return begin + at, u


def _chain(
    size: Floats, end: int, threshold: float, level: float, floor: float, reach: int
) -> tuple[float, float]:
    """Earliest sample that still hangs together with the rise, and its uncertainty.

    Small ripples before the main rise, as every band-limited sharp start has them, are part of the
    stroke; a power law knows nothing of them.
    """
    place = end
    for _ in range(CHAIN_STEPS):
        low = max(place - reach, 0)
        above = np.flatnonzero(size[low:place] >= floor)
        if not len(above):
            break
        place = low + int(above[0])
    step = float(size[place] - size[place - 1]) if place > 0 else 0.0
    share = (size[place] - threshold) / step if step > 0 else 0.5
    at = place - float(np.clip(share, 0.0, 1.0))
    # where 1 % of the peak lies below what stands out of the noise, go on as it grew
    hidden = 0.0
    if floor > threshold and level > floor and end > place:
        hidden = (end - place) * np.log(floor / threshold) / np.log(level / floor)
        hidden = min(hidden, float(reach))
    return at - 0.5 * hidden, float(np.hypot(0.5, 0.5 * hidden))


def _from_tails(
    stretch: Stretch, coarse: Ints, predictor: Predictor
) -> tuple[Floats, Floats, Floats]:
    """Starts of strokes that sit on the tail of an earlier one, which is foretold and taken off.

    Also tells how many times 1 % of the peak may lie hidden in what was foretold wrongly.
    """
    n, step, second = len(coarse), stretch.frames_per_fast, stretch.sample_rate_hz
    early = round(FORESEEN_S * second / step)
    after = round(OWN_PEAK_S * second / step)
    start = coarse // step - early
    tail = predictor.continue_from(stretch.fast, start, early + after)
    window = early * step
    rises, least_hidden = _Rises.room(n, window), np.zeros(n)
    middle = (np.arange(early + after) + 0.5) * step - 0.5
    for k in range(n):
        first = int(start[k]) * step
        raw = stretch.clean(first, first + (early + after) * step)
        new = raw - np.interp(np.arange(len(raw)), middle, tail[k])
        test = new[step * 2 : window]
        # the further ahead, the worse: a linear growth makes the last the largest
        error = max(float(np.sqrt(np.mean(test**2))), 0.5 * float(np.abs(test).max()))
        height = float(np.abs(new[window:]).max())
        if error > 0.1 * height:
            # the tail can't be foretold: hold a straight line against it
            least_hidden[k] = np.e
            stem = raw[window - step * 8 : window]
            line = np.polyfit(np.arange(-len(stem), 0), stem, 1)
            new = raw - np.polyval(line, np.arange(len(raw)) - window)
            error = float(np.sqrt(np.mean(new[window - len(stem) : window] ** 2)))
            height = float(np.abs(new[window : window + 16 * step]).max())
        noise = max(error, stretch.noise_rms)
        level = min(max(LEVEL_SHARE * height, LEVEL_NOISE * noise), 0.5 * height)
        end = window + int(np.argmax(np.abs(new[window:-AHEAD]) >= level))
        rises.rows[k] = new[end + AHEAD + 1 - window : end + AHEAD + 1]
        rises.level[k], rises.threshold[k] = level, ONSET_SHARE * height
        rises.noise[k], rises.origin[k] = noise, first + end + AHEAD + 1
        rises.earliest[k] = first + window - step
    fits = [rises.fit(order) for order in TAIL_ORDERS]
    at, u, _ = fits[len(fits) // 2]
    others = np.array([fit[0] for fit in fits])
    # what the baseline is taken to be is part of what isn't known
    u = np.hypot(u, 0.5 * np.ptp(others, axis=0))
    hidden = FOOT_NOISE * rises.noise / np.maximum(rises.threshold, 1e-12)
    return at, u, np.maximum(hidden, least_hidden)
