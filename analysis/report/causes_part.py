"""The part of a page that says why notes went wrong: causes, with examples of their sound."""

from __future__ import annotations

import base64
from typing import Any

import pandas as pd

from analysis.causes import count
from analysis.pipeline import Analysis
from analysis.report import advice_words as words
from analysis.report.cause_picture import cause_picture
from rig.record.specimen import Settings

MOST_LISTED = 1000
"""Faults that a page lists one by one; all of them stand in the table beside it."""


def cause_rows(explained: pd.DataFrame, declared: Settings) -> list[dict[str, str]]:
    """Give one row a cause: how many, of what kind, why, and the setting that had avoided it.

    Where the settings declared in the specimen file should have avoided them, the build doesn't
    keep to them, and the row says so.
    """
    return [
        {
            "count": str(row["count"]),
            "kind": words.KINDS[row["kind"]],
            "cause": words.cause(row),
            "mend": words.mend(row) + _not_kept(row, declared),
        }
        for row in words.records(count(explained))
    ]


def _not_kept(row: dict[str, Any], declared: Settings) -> str:
    """Tell that a setting in force, were it kept, would have avoided it."""
    now = getattr(declared, row["setting"], None) if row["not_kept"] else None
    if now is None:
        return ""
    return (
        f"; {words.setting(row['setting'], now)} are declared and would do, so this build doesn't "
        "keep to them"
    )


def cause_list(table: pd.DataFrame) -> list[dict[str, str]]:
    """Give one row a fault, up to ``MOST_LISTED`` of :mod:`analysis.causes_table`.

    Strokes and notes by their numbers in ``strokes.csv`` and ``notes.csv``.
    """
    return [
        {
            "stroke": "" if row["stroke"] < 0 else str(row["stroke"]),
            "note": "" if row["note"] < 0 else str(row["note"]),
            "at": f"{row['t_s']:.3f}",
            "kind": words.KINDS[row["kind"]],
            "cause": words.cause(row) if row["cause"] else "not told: its sound is not recorded",
            "mend": words.mend(row) if row["cause"] else "",
        }
        for row in words.records(table.head(MOST_LISTED))
    ]


def cause_pictures(analysis: Analysis, explained: pd.DataFrame) -> list[dict[str, str]]:
    """Draw examples of each cause whose faults have a place on the time line."""
    made = []
    for (kind, cause), faults in explained.groupby(["kind", "cause"], sort=False):
        heard = faults[faults["t_s"].notna()]
        if not len(heard):
            continue
        name = words.KINDS[str(kind)]
        heading = f"{name[:1].upper()}{name[1:]}: {words.cause({'cause': cause})}"
        made.append(
            {
                "heading": heading,
                "alt": f"Sound about some of them: {heading}",
                "data": base64.b64encode(cause_picture(analysis, heard)).decode(),
            }
        )
    return made
