"""The strike plan: one row a strike, from a protocol, a bench and a seed."""

from __future__ import annotations

import dataclasses

import pandas as pd

PLAN_COLUMNS: dict[str, str] = {
    "strike": "int64",  # row number, from 0
    "burst": "int64",  # what is loaded and begun as one: ticks count from its start
    "stage": "str",
    "pattern": "str",
    "striker": "str",
    "time_us": "int64",  # coil on, from the burst's start
    "width_us": "float64",
    "force_n": "float64",  # NaN on a bench not calibrated
    "group": "int64",  # roll, train or pair within the run; -1 for single strokes
    "place": "int64",  # place within the group, from 0
    "rate_per_s": "float64",  # rolls: programmed rate, else NaN
    "gap_ms": "float64",  # flams and trains: programmed gap to the stroke before it; else NaN
    "level_difference_db": "float64",  # flams: second over first; else NaN
    "sweep": "str",  # "up", "down" or ""
}
"""Columns of the plan and their types. The plan is written to the run folder as ``plan.csv``."""


BURST_COLUMNS: dict[str, str] = {
    "burst": "int64",
    "stage": "str",
    "prompt": "str",  # what the technician does before it; "" for none
    "duration_us": "int64",  # its silent tail included
    "idle": "bool",  # nothing is struck in it
}
"""Columns of the bursts, written as ``bursts.csv``."""


@dataclasses.dataclass(frozen=True)
class Plan:
    """What will be struck.

    Attributes
    ----------
    strikes
        One row a strike, columns as in ``PLAN_COLUMNS``, in order of burst, then time.
    bursts
        One row a burst, columns as in ``BURST_COLUMNS``.
    """

    strikes: pd.DataFrame
    bursts: pd.DataFrame
