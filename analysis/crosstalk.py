"""What each stroke did to the zone that was not struck: its level there, and notes of it."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.detector import DetectorError, Envelopes
from analysis.pipeline import Analysis
from analysis.sensor import crosstalk_db
from analysis.waveforms import Waveforms, waveforms_of_parts
from rig.record.full_scale import CLIP_LEVEL

COLUMNS = ("crosstalk_db", "crosstalk_u_db", "crosstalk_most_db")
LEAST_OVER_NOISE = 2.0
"""The other zone's peak over the highest noise before the stroke; below, the ratio tells of the
noise."""
LEAST_SHARE_HEARD = 0.9
"""Share of a level's strokes that must be so; else none of that level is used. Picking the louder
ones would make the other zone louder than it is."""


def with_crosstalk(analysis: Analysis) -> pd.DataFrame:
    """Return a run's stroke table with what its strokes did to the other zones.

    Parameters
    ----------
    analysis
        The run.

    Returns
    -------
    pandas.DataFrame
        The stroke table. Where the specimen has further zones, with ``crossed`` (a note of one of
        them came with the stroke). Where the second zone's sensor was recorded, with
        ``crosstalk_db`` (its peak over that of the struck zone), ``crosstalk_u_db`` (standard
        uncertainty by noise, in all strokes alike) and ``crosstalk_most_db`` (what the peak over
        the struck one's is at most, be it noise). NaN: not rung out alone, or clipped on either
        sensor; but for the last also where a level's strokes do not stand out of the noise.
    """
    strokes, notes = analysis.table.strokes, analysis.table.notes
    if len(analysis.specimen.module.zones) > 1:
        crossing = notes.loc[notes["role"] == "crosstalk", "stroke"]
        strokes = strokes.assign(crossed=strokes["stroke"].isin(crossing))
    if "second_zone" not in analysis.recording.roles:
        return strokes
    try:
        struck, other = (
            waveforms_of_parts(analysis.recordings, analysis.begins, strokes, role=role).lonely()
            for role in ("sensor", "second_zone")
        )
    except DetectorError:
        return strokes.join(pd.DataFrame(columns=list(COLUMNS), dtype=float))
    return strokes.join(levels(struck, other))


def levels(struck: Waveforms, other: Waveforms) -> pd.DataFrame:
    """Level of the other zone over the struck one, of each stroke.

    Noise raises a peak by nothing up to about its own mean level, all strokes alike: half of that
    is taken off, and its uncertainty is that of a rectangle (JCGM 100, 4.3.7).

    Parameters
    ----------
    struck, other
        The same strokes, each ringing out alone, on the two sensors.

    Returns
    -------
    pandas.DataFrame
        ``COLUMNS`` as told by :func:`with_crosstalk`, on the index of the struck zone's strokes.
    """
    most_db = crosstalk_db(struck.envelopes, other.envelopes)
    peak = _peaks(other.envelopes)
    clipped = (_peaks(struck.envelopes) >= CLIP_LEVEL) | (peak >= CLIP_LEVEL)
    most_db[clipped] = math.nan
    noise = _noise(other.envelopes)
    stands_out = pd.Series(out_of_noise(other.envelopes))
    alike = [struck.strokes["striker"].to_numpy(), struck.envelopes.force_n]
    share = stands_out.groupby(alike, dropna=False).transform("mean").to_numpy(dtype=float)
    heard = share >= LEAST_SHARE_HEARD
    lowest = 1.0 - np.minimum(noise.mean(axis=1) / np.maximum(peak, 1e-12), 1.0 / LEAST_OVER_NOISE)
    raised_db = -20.0 * np.log10(lowest)
    return pd.DataFrame(
        {
            "crosstalk_db": np.where(heard, most_db - 0.5 * raised_db, math.nan),
            "crosstalk_u_db": np.where(heard & ~clipped, raised_db / math.sqrt(12.0), math.nan),
            "crosstalk_most_db": most_db,
        },
        index=struck.strokes.index,
    )


def out_of_noise(sounds: Envelopes) -> NDArray[np.bool_]:
    """Tell which strokes' peaks stand out of the highest noise before them."""
    highest = _noise(sounds).max(axis=1, initial=0.0)
    return np.asarray(_peaks(sounds) > LEAST_OVER_NOISE * highest)


def _noise(sounds: Envelopes) -> NDArray[np.float64]:
    return np.asarray(sounds.level[:, : sounds.onset], dtype=float)


def _peaks(sounds: Envelopes) -> NDArray[np.float64]:
    return np.asarray(sounds.level.max(axis=1), dtype=float)
