"""MIDI bytes whose status byte came before the recording: nobody can tell what they are."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.match import LONGEST_LATENCY_S

if TYPE_CHECKING:
    from analysis.notes import NoteSource

BECAUSE = "its MIDI bytes came without a status byte"


def unreadable(sources: Sequence[NoteSource], used: str) -> tuple[list[NoteSource], list[str]]:
    """Part further sources into those that can be set against the one used, and what to tell."""
    good = [one for one in sources if len(one.notes) or not one.headless]
    told = [
        f"{one.name}: {one.headless} data bytes came before any status byte and could not be read "
        f"(running status from before the recording); notes are those of {used}"
        for one in sources
        if not len(one.notes) and one.headless
    ]
    return good, told


def leave_out_headless(table: pd.DataFrame, source: NoteSource) -> list[str]:
    """Mark strokes whose notes can't be read for want of a status byte as invalid.

    By MIDI 1.0 a status that is equal to the last one may be left out (running status). Whoever
    begins to listen later can't know it; a guess would make notes out of other messages.

    Parameters
    ----------
    table
        Stroke table; changed in place.
    source
        Where its notes come from.

    Returns
    -------
    list of str
        What to tell beside every result; empty where no stroke is touched.
    """
    if not source.headless:
        return []
    low, high = source.headless_s
    begin = np.fmin(table["drive_t_s"].to_numpy(), table["onset_t_s"].to_numpy())
    rows = (begin <= high) & (begin + LONGEST_LATENCY_S >= low) & table["valid"].to_numpy()
    if not rows.any():
        return []
    table.loc[rows, "excluded_because"] = BECAUSE
    table.loc[rows, "outcome"] = "invalid"
    table.loc[rows, "valid"] = False
    return [
        f"{source.name}: {source.headless} data bytes came before any status byte: the module "
        "sent it before the recording began and leaves it out since (running status), so that "
        f"nobody can tell what they are; {int(rows.sum())} strokes are left out. Have the module "
        "send it anew while the bench records: switch it off and on at the prompt, or make it send "
        "another message. Or say in [module] of the specimen file running_status_from_before = "
        "true, if its last message before a run is always a note, and strike again"
    ]
