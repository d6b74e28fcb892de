"""Where each stroke starts, below one sample, given its place to about a millisecond."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis.novelty import NEAR_S
from analysis.quiet_starts import from_quiet
from analysis.ringing_starts import from_ringing
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
FOOT_S, LONE_S = 0.003, 0.01
"""A soft blunt stroke may show by its crest alone: it may begin so long before that, if the stroke
before it was so much earlier."""
LOUD_NOISE, RINGING_NOISE, RINGING_SHARE = 5.5, 20.0, 0.3
"""What is so many times the noise's rms before a stroke is a tail. Before a contact pulse its modes
are told from it; where too little of it is free for that, it is foretold only above the second of
these, or where it is more than so much of the peak: below, the pulse's shape tells it from one."""
FAR_GROUPS, WEAK_TAIL = 32, 52.2
"""Means of so many groups of samples, a few ms before a stroke; their chi-squared about their mean
(31 degrees of freedom), which pure noise passes once in a hundred (tables)."""
FOOT_U_S = 115e-6
"""Of a sound of unknown make on a tail, for each factor e by which what shows above the noise
exceeds 1 % of the peak: so early may a weaker beginning lie, unseen (from recorded sounds)."""
ANYWHERE_U_S = NEAR_S / 3**0.5
"""A tail of unknown make may be new at any hop within that of where a stroke is expected."""


def find_starts(
    stretch: Stretch,
    coarse: Ints,
    sure: Bools,
    predictor: Predictor,
    contact: bool = True,
    modes: bool = True,
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

    modes
        All ring on in the same modes, as those of one pad do.

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
    room = np.diff(coarse, prepend=-(2**40))
    reach = np.full(n, SLOW_BACKS * back)
    if contact:
        reach = np.where(room > round(LONE_S * second), round(FOOT_S * second), back)
    stops = np.minimum(np.append(coarse[1:] - fore, 2**60), coarse + int(PEAK_SEARCH_S * second))
    tail, weak_tail = np.zeros(n), np.zeros(n, dtype=bool)
    rings, ringing = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    group = max(2 * back // 8, 1)
    lead = SLOW_BACKS * back + FAR_GROUPS * group
    for k in range(n):
        near = stretch.clean(int(coarse[k]) - lead, max(int(stops[k]), int(coarse[k]) + 2 * fore))
        size = np.abs(near)
        top = lead - fore + int(size[lead - fore :].argmax())
        peak[k], peak_frame[k] = size[top], coarse[k] - lead + top
        quiet_until = lead - int(reach[k])
        loudest = float(size[quiet_until - 2 * back : quiet_until].max())
        rings[k] = loudest > LOUD_NOISE * stretch.noise_rms
        if contact:
            much = min(RINGING_NOISE * stretch.noise_rms, RINGING_SHARE * peak[k])
            ringing[k] = rings[k] and loudest > much
        else:
            ringing[k] = rings[k] or room[k] < 2 * SLOW_BACKS * back
        means = near[: quiet_until // group * group].reshape(-1, group).mean(axis=1)
        tail[k] = np.abs(means[-8 if room[k] < 2 * lead else -24 :]).max()
        # a sound that may begin slowly is known by its slowest parts, where tails and hum stay
        slowly = means[:FAR_GROUPS].var() * group / stretch.noise_rms**2
        weak_tail[k] = FAR_GROUPS * slowly > WEAK_TAIL
    told = np.zeros(n, dtype=bool)
    if contact and modes and rings.any():
        at, u = from_ringing(stretch, coarse, sure, rings)
        told = np.isfinite(at)
        ringing &= ~told
    calm = np.flatnonzero(~ringing & ~told)
    if contact:
        at[calm], u[calm] = from_quiet(
            stretch, coarse[calm], reach[calm], room[calm], peak[calm], tail[calm]
        )
    for smooth in (False, True) if not contact else ():
        some = np.flatnonzero(~ringing & (weak_tail == smooth))
        if len(some):
            at[some], u[some] = of_unknown_make(
                stretch, coarse[some], peak[some], sure[some], smooth
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
