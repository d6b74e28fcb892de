"""The plan as two CSV texts, and back without the loss of a bit."""

from __future__ import annotations

import io
from typing import Any

import pandas as pd

from rig.record.bench_fault import COPY_AGAIN, BadFileError
from rig.record.plan import BURST_COLUMNS, PLAN_COLUMNS, Plan


def plan_to_csv(plan: Plan) -> tuple[bytes, bytes]:
    """Give the CSV texts of the strikes and of the bursts."""
    return (
        _to_csv(plan.strikes, PLAN_COLUMNS),
        _to_csv(plan.bursts, BURST_COLUMNS),
    )


def plan_from_csv(strikes: bytes, bursts: bytes) -> Plan:
    """Read a plan back; BadFileError if a column is missing or holds what its type can't."""
    return Plan(
        strikes=_from_csv(strikes, PLAN_COLUMNS, "plan.csv"),
        bursts=_from_csv(bursts, BURST_COLUMNS, "bursts.csv"),
    )


def empty_plan() -> Plan:
    """Give a plan without a strike, for imports."""
    return Plan(strikes=_empty(PLAN_COLUMNS), bursts=_empty(BURST_COLUMNS))


def _empty(columns: dict[str, str]) -> pd.DataFrame:
    return pd.DataFrame({name: pd.Series([], dtype=dtype) for name, dtype in columns.items()})


def _to_csv(table: pd.DataFrame, columns: dict[str, str]) -> bytes:
    text: str = table[list(columns)].to_csv(index=False, lineterminator="\n")
    return text.encode()


def _from_csv(content: bytes, columns: dict[str, str], name: str) -> pd.DataFrame:
    # numbers with a point are read as text first: float() loses no bit, on every pandas
    dtypes: Any = {name: "str" if kind == "float64" else kind for name, kind in columns.items()}
    try:
        table = pd.read_csv(
            io.BytesIO(content), dtype=dtypes, keep_default_na=False, lineterminator="\n"
        )
        for column, dtype in columns.items():
            if dtype == "float64" and column in table:
                cells = table[column]
                table[column] = cells.mask(cells == "", "nan").to_numpy(object).astype(float)
    except (ValueError, OverflowError) as error:
        raise BadFileError([f"{name}: not a plan: {error}. {COPY_AGAIN}"]) from error
    missing = [column for column in columns if column not in table.columns]
    if missing:
        raise BadFileError(
            [f"{name}: column {column!r} is missing. {COPY_AGAIN}" for column in missing]
        )
    return table[list(columns)]
