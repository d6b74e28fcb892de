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

TIMES = ("dead_time_ms", "release_ms")
TOO_MANY = ("double", "stray")
"""Notes too many want longer times; strokes that were lost want shorter ones."""


def cause_rows(explained: pd.DataFrame, declared: Settings) -> list[dict[str, str]]:
    """Give one row a cause: how many, of what kind, why, and the setting that had avoided it.

    Where the setting declared in the specimen file should have avoided it, the build doesn't keep
    to it, and the row says so.
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
    if row["setting"] not in TIMES:
        return ""
    now, needed = getattr(declared, row["setting"]), row["avoided_by"]
    if now is None or not (now >= needed if row["kind"] in TOO_MANY else now <= needed):
        return ""
    return (
        f"; {words.setting(row['setting'], now)} are declared, so this build doesn't keep to them"
    )


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
