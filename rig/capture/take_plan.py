"""The plan of a take from outside: strikes with their times on the board's clock."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from rig.capture.take_table import read_table
from rig.record.limits import TICKS_PER_S
from rig.record.plan import BURST_COLUMNS, PLAN_COLUMNS, Plan
from rig.record.plan_csv import empty_plan
from rig.record.protocol import Protocol
from rig.record.quantity import MOST_LETTERS
from rig.record.toml_file import odd_letter

_ALLOWED = (
    *("force_n", "stage", "width_us", "pattern", "group", "place"),
    *("rate_per_s", "gap_ms", "level_difference_db", "sweep"),
)
PATTERNS = ("single", "roll", "buzz", "flam")
DEFAULT_STAGE = "take"
ALONE_S = 0.1
"""A strike whose pattern isn't said is a single one if none comes so soon before or after it."""
ROLL_REST_S = 0.5
"""So long a gap ends a roll or train whose strikes aren't numbered."""


def read_strikes(
    path: Path, duration_s: float | None, protocol: Protocol | None = None
) -> tuple[Plan, list[str]]:
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
    protocol
        Its stages say which pattern a strike is of, where the file doesn't.
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
    known = np.flatnonzero(np.isfinite(time_s))
    for row in np.flatnonzero(~np.isfinite(time_s))[:5]:
        place = f"{path}, line {row + 2}: time_s"
        if not any(fault.startswith(place) for fault in faults):
            faults.append(f"{place} is blank, or no finite number")
    if not known.size:
        return empty_plan(), faults
    time_s = time_s[known]
    back = np.flatnonzero(np.diff(time_s) < 0)
    if back.size:
        row = int(back[0]) + 1
        faults.append(
            f"{path}, line {known[row] + 2}: {time_s[row]:g} s comes after {time_s[row - 1]:g} s; "
            f"strikes must stand in order of time ({back.size} out of order)"
        )
    if duration_s is not None and time_s.max() - time_s.min() > duration_s:
        faults.append(
            f"{path}: the plan lasts {time_s.max() - time_s.min():.3f} s, the take only "
            f"{duration_s:.3f} s; they don't belong together, or time_s isn't in seconds"
        )
    for name in ("force_n", "width_us"):
        if name in table and (table[name].dropna() <= 0).any():
            faults.append(f"{path}: {name} must be above 0 (or blank where it isn't known)")
    for name in ("stage", "striker"):
        for text in dict.fromkeys(table.get(name, ())):
            if len(text) > MOST_LETTERS or odd_letter(text):
                faults.append(
                    f"{path}: {name} {text[:20]!r}: a name is a line of plain text of up to "
                    f"{MOST_LETTERS} characters"
                )
    if "pattern" in table:
        for odd in sorted(set(table["pattern"]) - {*PATTERNS, ""}):
            faults.append(f"{path}: pattern {odd!r}; {', '.join(PATTERNS)} are known")
    for name in ("group", "place"):
        if name in table:
            held = table[name].dropna().to_numpy(float)
            if (~np.isfinite(held) | (held != np.round(held)) | (np.abs(held) > 1e9)).any():
                faults.append(f"{path}: {name} must be a whole number (or blank)")
    table, more = _of_protocol(path, table, protocol)
    faults += more
    return (empty_plan(), faults) if faults else (_as_plan(table), [])


def _of_protocol(
    path: Path, table: pd.DataFrame, protocol: Protocol | None
) -> tuple[pd.DataFrame, list[str]]:
    """Fill in stages and patterns by those of a protocol; a fault for each that contradicts it."""
    blank = pd.Series("", index=table.index)
    stage, pattern = table.get("stage", blank), table.get("pattern", blank)
    if protocol is None:
        return table, []
    tags = {one.name: str(one.__struct_config__.tag) for one in protocol.stages}
    if len(tags) == 1:
        stage = stage.replace("", next(iter(tags)))
    faults = [
        f"{path}: stage {str(name)!r} is none of the protocol's ({', '.join(tags)})"
        for name in dict.fromkeys(stage)
        if name not in tags
    ]
    asked = stage.map(tags).where(lambda tag: tag.isin(PATTERNS), "")
    apart = (pattern != "") & (asked != "") & (pattern != asked)
    faults += [
        f"{path}: stage {str(name)!r} is a {rows.iloc[0]} in the protocol, and {found!r} here"
        for (name, found), rows in asked[apart].groupby([stage[apart], pattern[apart]])
    ]
    return table.assign(stage=stage, pattern=pattern.where(pattern != "", asked)), faults


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
    for name in ("group", "place"):
        strikes[name] = strikes[name].fillna(-1)
    _fill(strikes)
    bursts = pd.DataFrame(
        [[0, strikes["stage"].iloc[0], "", int(time_us[-1]) + 1, False]],
        columns=list(BURST_COLUMNS),
    )
    return Plan(strikes=strikes.astype(PLAN_COLUMNS), bursts=bursts.astype(BURST_COLUMNS))


def _fill(strikes: pd.DataFrame) -> None:
    """Work out what the file leaves out and its times tell: patterns, groups, rates and gaps."""
    gap_s = np.diff(strikes["time_us"].to_numpy(float), prepend=-np.inf) * 1e-6
    alone = (gap_s > ALONE_S) & (np.append(gap_s[1:], np.inf) > ALONE_S)
    strikes.loc[(strikes["pattern"] == "") & alone, "pattern"] = "single"
    kind = strikes["pattern"] + "\n" + strikes["stage"]
    grouped = strikes["pattern"].isin(("roll", "buzz", "flam")) & (strikes["group"] < 0)
    rest_s = np.where(strikes["pattern"] == "flam", ALONE_S, ROLL_REST_S)
    new = (kind != kind.shift()) | (gap_s > rest_s)
    first = int(strikes["group"].max()) + 1
    strikes.loc[grouped, "group"] = first + new.cumsum()[grouped]
    of_group = strikes[grouped].groupby("group")
    strikes.loc[grouped, "place"] = of_group.cumcount()
    later = grouped & (strikes["place"] > 0)
    gap_ms = pd.Series(gap_s * 1e3, index=strikes.index)
    rolls = later & (strikes["pattern"] == "roll")
    rates = 1e3 / gap_ms[rolls].groupby(strikes["group"]).median()
    missing = grouped & (strikes["pattern"] == "roll") & strikes["rate_per_s"].isna()
    strikes.loc[missing, "rate_per_s"] = strikes["group"].map(rates).round(2)
    pairs = later & (strikes["pattern"] == "flam")
    strikes.loc[later & ~rolls & strikes["gap_ms"].isna(), "gap_ms"] = gap_ms.round(3)
    force = strikes["force_n"].to_numpy(float)
    level_db = 20.0 * np.log10(force / np.concatenate([[np.nan], force[:-1]]))
    missing = pairs & strikes["level_difference_db"].isna()
    level_db = np.where(np.isfinite(level_db), np.round(level_db, 1), 0.0)
    strikes.loc[missing, "level_difference_db"] = level_db[missing.to_numpy()]


def ticks_of(plan: Plan) -> np.ndarray:
    """Controller ticks of each strike, from the first one."""
    return (plan.strikes["time_us"].to_numpy(np.int64) * TICKS_PER_S) // 1_000_000
