"""A row for each lost stroke, double, stray note and note of another zone: its likely cause."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from analysis.causes import COLUMNS
from analysis.evidence import why
from analysis.pipeline import Analysis

MOST_STROKES = 20_000
"""Strokes of a run whose sound is looked at; of more it would fill the memory."""


def causes_table(analysis: Analysis, explained: pd.DataFrame | None = None) -> pd.DataFrame:
    """Explain all faults of a run, with a row for those too whose cause can't be told.

    Parameters
    ----------
    analysis
        The run.
    explained
        What :func:`analysis.causes.explain` found in it, if that is known already.

    Returns
    -------
    pandas.DataFrame
        Columns of :func:`analysis.causes.explain`, in order of time. ``cause`` is empty where the
        sound to tell it by was not recorded, and in runs of more than ``MOST_STROKES`` strokes.
    """
    if explained is None:
        explained = causes_of(analysis)
    rest = [one for one in (_lost(analysis), _notes(analysis)) if len(one)]
    rest = [one[~_in(one, explained)] for one in rest]
    found = [one for one in (explained, *rest) if len(one)]
    if not found:
        return pd.DataFrame(columns=COLUMNS)
    return pd.concat(found).sort_values("t_s", kind="stable", ignore_index=True)[COLUMNS]


def causes_of(analysis: Analysis) -> pd.DataFrame:
    """Explain a run's faults; none in runs of more than ``MOST_STROKES`` strokes."""
    if len(analysis.table.strokes) > MOST_STROKES:
        return pd.DataFrame(columns=COLUMNS)
    return why(analysis)


def _in(rows: pd.DataFrame, explained: pd.DataFrame) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Tell which rows are among those explained."""
    keys = ["stroke", "note", "kind"]
    known = pd.MultiIndex.from_frame(explained[keys])
    return np.asarray(pd.MultiIndex.from_frame(rows[keys]).isin(known))


def _untold(rows: dict[str, object]) -> pd.DataFrame:
    untold = {"cause": "", "setting": "", "avoided_by": math.nan, "not_kept": False}
    return pd.DataFrame({**rows, **untold})[COLUMNS]


def _lost(analysis: Analysis) -> pd.DataFrame:
    """Give a row for each stroke of the plan that was lost, or never struck."""
    strokes = analysis.table.strokes
    planned = strokes["strike"] >= 0
    # an onset that no strike of a plan explains is no stroke of the bench
    planned |= not planned.any()
    lost = strokes[strokes["outcome"].isin(["lost", "no_contact"]) & planned]
    begin_s = lost["onset_t_s"].where(lost["onset_t_s"].notna(), lost["drive_t_s"])
    kind = np.where(lost["outcome"] == "lost", "lost", "not_struck")
    return _untold(
        {
            "stroke": lost["stroke"].to_numpy(),
            "note": -1,
            "t_s": begin_s.to_numpy(),
            "kind": kind,
        }
    )


def _notes(analysis: Analysis) -> pd.DataFrame:
    """Give a row for each note that is no stroke's first, at the stroke that it follows."""
    notes = analysis.table.notes.reset_index(drop=True)
    more = notes[~notes["role"].isin(["first"])] if len(notes) else notes
    if not len(more):
        return pd.DataFrame(columns=COLUMNS)
    onset = analysis.table.strokes.set_index("stroke")["onset_t_s"]
    begin_s = more["stroke"].map(onset)
    own = (more["role"] == "double") & begin_s.notna()
    return _untold(
        {
            "stroke": np.where(more["role"] == "stray", -1, more["stroke"]),
            "note": more.index.to_numpy(),
            "t_s": begin_s.where(own, more["note_t_s"]).to_numpy(),
            "kind": more["role"].to_numpy(),
        }
    )
