"""The plan of a take from outside: strikes with their times on the board's clock."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from rig.capture.take_table import read_table
from rig.record.limits import TICKS_PER_S
from rig.record.plan import BURST_COLUMNS, PLAN_COLUMNS, Plan
from rig.record.plan_csv import empty_plan

_ALLOWED = (
    *("force_n", "stage", "width_us", "pattern", "group", "place"),
    *("rate_per_s", "gap_ms", "level_difference_db", "sweep"),
)
PATTERNS = ("single", "roll", "buzz", "flam")
DEFAULT_STAGE = "take"


def read_strikes(path: Path, duration_s: float | None) -> tuple[Plan, list[str]]:
    """Read ``strikes.csv`` and list all its faults.

    Columns time_s (coil pulse, on the board's clock, any origin) and striker; force_n, stage and
    the other columns of the plan where they are known; or the stroke table of a run's analysis.
    Times count from the first strike in the plan made of it.

    Parameters
    ----------
    path
        The file.
    duration_s
        Length of the take, or None where it isn't known; a plan that lasts longer is a fault.
    """
    if not path.is_file():
        return empty_plan(), [f"{path}: no such file of strikes"]
    table, faults = read_table(
        path, needed=("time_s", "striker"), allowed=_ALLOWED, own_time="drive_t_s"
    )
    if table is None:
        return empty_plan(), faults
    if table.empty:
        return empty_plan(), [f"{path}: the plan holds no strike; leave --strikes out instead"]
    time_s = table["time_s"].to_numpy(float)
    if not np.isfinite(time_s).all():
        row = int(np.flatnonzero(~np.isfinite(time_s))[0])
        return empty_plan(), [f"{path}, line {row + 2}: time_s is no number"]
    back = np.flatnonzero(np.diff(time_s) < 0)
    if back.size:
        row = int(back[0]) + 1
        faults.append(
            f"{path}, line {row + 2}: {time_s[row]:g} s comes after {time_s[row - 1]:g} s; strikes "
            f"must stand in order of time ({back.size} out of order)"
        )
    if duration_s is not None and time_s.max() - time_s.min() > duration_s:
        faults.append(
            f"{path}: the plan lasts {time_s.max() - time_s.min():.3f} s, the take only "
            f"{duration_s:.3f} s; they don't belong together, or time_s isn't in seconds"
        )
    for name in ("force_n", "width_us"):
        if name in table and (table[name].dropna() <= 0).any():
            faults.append(f"{path}: {name} must be above 0 (or blank where it isn't known)")
    if "pattern" in table:
        for odd in sorted(set(table["pattern"]) - {*PATTERNS, ""}):
            faults.append(f"{path}: pattern {odd!r}; {', '.join(PATTERNS)} are known")
    return (empty_plan(), faults) if faults else (_as_plan(table), [])


def _as_plan(table: pd.DataFrame) -> Plan:
    count = len(table)
    time_us = np.round((table["time_s"] - table["time_s"].iloc[0]).to_numpy(float) * 1e6)
    strikes = pd.DataFrame(index=range(count))
    for name, dtype in PLAN_COLUMNS.items():
        if name in table:
            strikes[name] = table[name].to_numpy()
        elif dtype == "str":
            strikes[name] = ""
        else:
            strikes[name] = np.nan if dtype == "float64" else -1
    strikes["strike"] = np.arange(count)
    strikes["burst"] = 0
    strikes["time_us"] = time_us
    strikes["stage"] = strikes["stage"].replace("", DEFAULT_STAGE)
    strikes["pattern"] = strikes["pattern"].replace("", "single")
    for name in ("group", "place"):
        strikes[name] = strikes[name].fillna(-1)
    bursts = pd.DataFrame(
        [[0, strikes["stage"].iloc[0], "", int(time_us[-1]) + 1, False]],
        columns=list(BURST_COLUMNS),
    )
    return Plan(strikes=strikes.astype(PLAN_COLUMNS), bursts=bursts.astype(BURST_COLUMNS))


def ticks_of(plan: Plan) -> np.ndarray:
    """Controller ticks of each strike, from the first one."""
    return (plan.strikes["time_us"].to_numpy(np.int64) * TICKS_PER_S) // 1_000_000
