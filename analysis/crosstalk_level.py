"""Level of another zone over the struck one, stroke by stroke, without what noise adds to it."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from analysis.crosstalk import LEAST_SHARE_HEARD, out_of_noise
from analysis.noise_lift import Array, NoiseLift
from analysis.sensor import crosstalk_db
from analysis.waveforms import Waveforms
from rig.record.full_scale import CLIP_LEVEL

LIFT_U = 0.2
"""Standard uncertainty of what noise adds, over it: strokes differ in how blunt their peak is. So
much, at most, were the means of simulated strokes off, at 1 to 20 N."""
_STEP_DB = 0.5


def ratios(struck: Waveforms, other: Waveforms) -> pd.DataFrame:
    """Tell the other zone's peak over the struck one's, noise taken off.

    Parameters
    ----------
    struck, other
        Strokes on the two sensors, each with its silence.

    Returns
    -------
    pandas.DataFrame
        One row a stroke that rings out alone and clips on neither: force_n, db, u_db (standard
        uncertainty by noise, alike in all strokes of a force), and heard: strokes of that force
        stand out of the other zone's noise, so that ``db`` is a level; else it is what the level
        is at most, noise left in.
    """
    alone = struck.lonely()
    beside = other.subset(np.isin(other.strokes["stroke"], alone.strokes["stroke"]))
    columns = ["force_n", "db", "u_db", "heard"]
    if len(alone.envelopes) == 0:
        return pd.DataFrame(columns=columns)
    lifts = [NoiseLift(run.envelopes, run.silence, run.sample_rate_hz) for run in (alone, beside)]
    struck_db, other_db = (_level_db(run) for run in (alone, beside))
    table = pd.DataFrame(
        {
            "force_n": alone.envelopes.force_n,
            "db": crosstalk_db(alone.envelopes, beside.envelopes),
            "heard": out_of_noise(beside.envelopes),
            "struck_db": struck_db,
            "other_db": other_db,
        }
    )
    table = table[np.maximum(struck_db, other_db) < 20.0 * math.log10(CLIP_LEVEL)]
    made = []
    for _, group in table.groupby("force_n", dropna=False):
        # one stroke's own noise makes its lift no larger: that of their mean level holds for all
        own, theirs = float(group["struck_db"].mean()), float(group["other_db"].mean())
        own_lift, lift = _lift_db(lifts[0], own), _lift_db(lifts[1], theirs)
        sure = bool(group["heard"].mean() >= LEAST_SHARE_HEARD)
        steep = 1.0
        if sure:
            span = _lift_db(lifts[1], theirs - _STEP_DB) - _lift_db(lifts[1], theirs + _STEP_DB)
            steep += span / (2.0 * _STEP_DB)
        else:
            lift = 0.0
        mean = float(group["db"].mean())
        db = mean - lift + own_lift + steep * (group["db"] - mean)
        u_db = LIFT_U * math.hypot(lift, own_lift)
        made.append(group.assign(db=db, u_db=u_db, heard=sure))
    return pd.concat(made)[columns] if made else pd.DataFrame(columns=columns)


def _level_db(run: Waveforms) -> Array:
    peak = run.envelopes.level.max(axis=1)
    return np.asarray(20.0 * np.log10(np.maximum(peak, 1e-12)), dtype=float)


def _lift_db(lift: NoiseLift, level_db: float) -> float:
    return float(lift.lift_db(10.0 ** (level_db / 20.0)))
