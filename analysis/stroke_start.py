"""Where each stroke starts, below one sample, given its place to about a millisecond."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis.novelty import NEAR_S
from analysis.quiet_starts import from_silence
from analysis.stretch import BACK_S, UNSURE_S, Starts
from analysis.stretch import Stretch as Stretch
from analysis.tail_starts import from_tails
from analysis.unknown_starts import SLOW_BACKS, of_unknown_make
from analysis.whitening import Predictor

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

PEAK_SEARCH_S = 0.05
FORE_S = 0.0005
"""A corner shows up to so long before its hop on the shorter scales."""
FOOT_SHARE, FOOT_NOISE_RATIO = 0.02, 6.0
"""Hops of a rise stand above so much of its peak, and above so many times their noise."""
CREST_SHARE = 0.4
FOOT_S, FOOT_CALM_S = 0.003, 0.002
"""A soft blunt stroke may show by its crest alone: its foot is looked for so long before that, and
must follow on a calm as long as the second. It is at its crest where it is so much of its peak."""
FAR_GROUPS, WEAK_TAIL = 32, 52.2
"""Means of so many groups of samples, a few ms before a stroke; their chi-squared about their mean
(31 degrees of freedom), which pure noise passes once in a hundred (tables)."""
FOOT_U_S = 115e-6
"""Of a sound of unknown make on a tail, for each factor e by which what shows above the noise
exceeds 1 % of the peak: so early may a weaker beginning lie, unseen (from recorded sounds)."""
ANYWHERE_U_S = NEAR_S / 3**0.5
"""A tail of unknown make may be new at any hop within that of where a stroke is expected."""


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
            at[some], u[some] = of_unknown_make(stretch, coarse[some], peak[some], sure[some], tail)
    if len(calm) and contact:
        at[calm], u[calm] = from_silence(
            stretch, coarse[calm], peak[calm], slanted[calm], sure[calm]
        )
    loud = np.flatnonzero(ringing)
    if len(loud):
        early = np.where(sure[loud], 0, round(UNSURE_S * second))
        at[loud], u[loud], hidden = from_tails(stretch, coarse[loud] - early, predictor)
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
