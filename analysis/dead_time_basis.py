"""What an advised dead time rests on, where that is little."""

from __future__ import annotations

import numpy as np

from analysis.choices import FIRST_PEAK_MS, first_peaks
from analysis.detector import Envelopes

LATE_SHARE = 0.5
"""Of the first peak, above which a later one is a late peak."""
LEAST_AT_ENDS = 10
"""Strokes of the softest level and of the hardest; with fewer, what one stroke in four does may
well not be among them."""
UNSEEN = 0.05


def dead_time_basis(strokes: Envelopes, dead_ms: float, *, force_known: bool) -> str:
    """Say what a dead time rests on, where no late peak was seen or few strokes were heard.

    Parameters
    ----------
    strokes
        Those that the dead time was chosen from.
    dead_ms
        The dead time advised.
    force_known
        Their ``force_n`` is a force, and no pulse width in µs.

    Returns
    -------
    str
        Sentences; empty where late peaks were seen, the dead time outlasts the first peak, and
        softest and hardest level have ``LEAST_AT_ENDS`` strokes each.

    Notes
    -----
    What n strokes out of n don't do has a chance of at most 1 - 0.05^(1/n), with 95 % confidence
    (Clopper and Pearson 1934, for none of n).
    """
    count = len(strokes)
    if count == 0:
        return ""
    after = strokes.level[:, strokes.onset + strokes.samples_of(FIRST_PEAK_MS) :]
    late = int((after > LATE_SHARE * first_peaks(strokes)[:, None]).any(axis=1).sum())
    level, each = np.unique(strokes.force_n[np.isfinite(strokes.force_n)], return_counts=True)
    ends = int(min(each[0], each[-1])) if each.size else 0
    seen = late > 0 and dead_ms > FIRST_PEAK_MS
    if seen and ends >= LEAST_AT_ENDS:
        return ""
    unit = "N" if force_known else "µs"
    struck = f" of {level[0]:g} to {level[-1]:g} {unit}" if level.size else ""
    heard = strokes.level[:, strokes.onset :] > 0.0
    watched_ms = 1e3 / strokes.rate_hz * (heard.shape[1] - heard[:, ::-1].argmax(axis=1)).max()
    text = (
        f"the dead time of {dead_ms:g} ms rests on {count} strokes{struck}, watched for up to "
        f"{watched_ms:.0f} ms: {late or 'none'} of them passed half the first peak again later "
        f"than {FIRST_PEAK_MS:g} ms after the onset"
    )
    if level.size:
        text += (
            f". The softest and the hardest level have {each[0]} and {each[-1]} strokes: what "
            f"happens in up to {100.0 * (1.0 - UNSEEN ** (1.0 / ends)):.0f} % of such strokes may "
            "not be among them"
        )
    if not seen:
        text += (
            ". The highest peak can arrive around 10 ms after the onset, and a dead time is "
            "usually made to reach past it (common practice, no source)"
        )
    return f"{text}. Other sticks and other places on the pad were not tried: strike with them too"
