"""Small CSV tables that a person made: read whole, all faults told at once."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from rig.record.toml_file import nearest

TEXT_COLUMNS = frozenset({"striker", "stage", "pattern", "sweep"})


def read_table(
    path: Path, *, needed: Sequence[str], allowed: Sequence[str], own_time: str
) -> tuple[pd.DataFrame | None, list[str]]:
    """Read a CSV file with a header line.

    Parameters
    ----------
    path
        The file, UTF-8.
    needed, allowed
        Columns that must be there, and those that may.
    own_time
        What a run's own analysis calls the time. A table with this column and no ``time_s`` is
        taken as one of those: rows without a time and further columns are left out.

    Returns
    -------
    table
        Text columns as text, all others as float64 (blank, or no number: NaN); None if it can't be
        read or a needed column is missing.
    faults
        A sentence for each: unknown column with the nearest known one, missing column, a cell
        that is no number with its line.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
        raw = pd.read_csv(
            io.StringIO(text), dtype=str, keep_default_na=False, skip_blank_lines=True
        )
    except (OSError, UnicodeDecodeError, pd.errors.ParserError, pd.errors.EmptyDataError) as error:
        return None, [f"{path}: can't be read as a table with a header line: {error}"]
    raw.columns = [str(name).strip() for name in raw.columns]
    known = (*needed, *allowed)
    if own_time in raw and "time_s" not in raw:
        raw = raw.rename(columns={own_time: "time_s"})
        at_s = pd.to_numeric(raw["time_s"], errors="coerce")
        raw = raw[at_s.notna()].iloc[np.argsort(at_s.dropna(), kind="stable")]
        raw = raw[[name for name in raw.columns if name in known]].reset_index(drop=True)
    faults = [
        f"{path}, line 1: unknown column {name!r}{nearest(name, known)}"
        for name in raw.columns
        if name not in known
    ]
    faults += [f"{path}, line 1: column {name!r} is missing" for name in needed if name not in raw]
    table = pd.DataFrame(index=raw.index)
    for name in known:
        if name not in raw:
            continue
        cells = raw[name].str.strip()
        if name in TEXT_COLUMNS:
            table[name] = cells
            continue
        numbers = pd.to_numeric(cells.where(cells != "", "nan"), errors="coerce")
        wrong = numbers.isna() & ~cells.str.lower().isin(("", "nan"))
        faults += [
            f"{path}, line {row + 2}: {name}: {cells.iloc[row]!r} is no number"
            for row in np.flatnonzero(wrong.to_numpy())[:5]
        ]
        table[name] = numbers.astype(float)
    return (None if any(name not in raw for name in needed) else table), faults
