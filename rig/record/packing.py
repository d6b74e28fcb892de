"""Puts rolls, trains, pairs and single strokes into bursts, and sets when each coil goes on."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from rig.record.protocol import StageBase
from rig.record.stage_contacts import Contacts

BURST_STRIKES = 100
BURST_S = 30.0
"""A burst ends before it would hold more, unless a single roll or train is longer."""
LEAD_US = 150_000
"""Least time from the start of a burst to its first strike: the marker preamble goes there."""
TAIL_US = 300_000
"""Silence at the end of each burst."""
HORIZON_SLACK_S = 1.0
"""Part of the bench's horizon kept for loading: a burst is loaded some time before it begins."""
START_CLEARANCE_US = 700
"""Least time between the starts of two coils: the longest marker of a coil, and its rest."""


def pack_bursts(
    stage: StageBase, contacts: Contacts, rows: pd.DataFrame, horizon_s: float
) -> pd.DataFrame:
    """Put whole units into bursts, and set the start of each coil so that contacts are in time.

    A stage that is searched has one unit a burst, for a burst is what can be chosen.

    Parameters
    ----------
    stage, contacts
        What is asked of the pad.
    rows
        One row a contact, with width_us, flight_ms, place and gap_ms; it gets ``burst``, counted
        from 0, and ``time_us``.
    horizon_s
        Of the bench; no burst is longer, but for one roll or train that is.

    Returns
    -------
    pandas.DataFrame
        One row a burst.
    """
    units = len(contacts.pause_ms)
    sizes = np.bincount(contacts.unit, minlength=units)
    lengths = contacts.contact_ms[np.cumsum(sizes) - 1]
    # an interval lasts from one burst into the next too, and is never cut short there
    between_us = round(contacts.pause_ms.max() * 1000.0) - TAIL_US
    lead_us = max(LEAD_US, round(stage.rest_ms * 1000.0), between_us)
    busy_us = np.maximum(rows["width_us"].to_numpy(), rows["flight_ms"].to_numpy() * 1000.0)
    around_us = lead_us + TAIL_US + 2.0 * busy_us.max()
    longest_ms = min(BURST_S, horizon_s - HORIZON_SLACK_S) * 1000.0 - around_us / 1000.0
    burst_of, start_of = np.empty(units, dtype=np.int64), np.empty(units)
    burst, held, clock = 0, 0, 0.0
    triples = zip(sizes.tolist(), lengths.tolist(), contacts.pause_ms.tolist(), strict=True)
    for unit, (size, length, pause) in enumerate(triples):
        full = held + size > BURST_STRIKES or clock + length > longest_ms
        if held and (full or stage.precision is not None):
            burst, held, clock = burst + 1, 0, 0.0
        burst_of[unit], start_of[unit] = burst, clock
        held, clock = held + size, clock + length + pause
    in_burst = burst_of[contacts.unit]
    start_ms = start_of[contacts.unit] + contacts.contact_ms - rows["flight_ms"].to_numpy()
    start_us = np.round(start_ms * 1000.0).astype(np.int64)
    _clear(start_us, in_burst, rows)
    least = np.full(burst + 1, np.iinfo(np.int64).max)
    np.minimum.at(least, in_burst, start_us)
    start_us += lead_us - least[in_burst]
    end_us = np.zeros(burst + 1, dtype=np.int64)
    np.maximum.at(end_us, in_burst, start_us + np.ceil(busy_us).astype(np.int64))
    rows["burst"], rows["time_us"] = in_burst, start_us
    return pd.DataFrame(
        {
            "burst": np.arange(burst + 1),
            "stage": stage.name,
            # which burst of a search comes first is not known yet; the person is asked once
            "prompt": [stage.prompt] + ["" if stage.precision is None else stage.prompt] * burst,
            "duration_us": end_us + TAIL_US,
            "idle": False,
        }
    )


def _clear(
    start_us: npt.NDArray[np.int64], burst: npt.NDArray[np.int64], rows: pd.DataFrame
) -> None:
    """Delay coil starts that come closer than the clearance to the start before them."""
    place, gap_ms = rows["place"].to_numpy(), rows["gap_ms"].to_numpy(copy=True)
    for _ in range(8):  # what is still too close then, the dry run refuses
        order = np.lexsort((start_us, burst))
        close = (np.diff(start_us[order]) < START_CLEARANCE_US) & (np.diff(burst[order]) == 0)
        if not close.any():
            break
        former, later = order[:-1][close], order[1:][close]
        # of a pair, it is always the second stroke that gives way, so that its gap can say so
        swap = (place[former] == 1) & (place[later] == 0)
        former, later = np.where(swap, later, former), np.where(swap, former, later)
        delay = start_us[former] + START_CLEARANCE_US - start_us[later]
        start_us[later] += delay
        gap_ms[later] += delay / 1000.0
        after = np.minimum(later + 1, len(place) - 1)
        nearer = place[after] > place[later]  # the next one of the same train
        gap_ms[after[nearer]] -= delay[nearer] / 1000.0
    rows["gap_ms"] = gap_ms
