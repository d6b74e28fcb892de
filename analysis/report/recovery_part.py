"""From which gap on second strokes are caught, as a page tells it: each figure with what it is."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from analysis.front import recovery_gap_ms
from analysis.late_seconds import late_seconds
from analysis.recovery import Contour, RecoveryMap
from rig.record.specimen import Settings


def contour_rows(recovery: RecoveryMap, now: Settings) -> list[dict[str, str]]:
    """Give one row a level difference: half and 95 % caught, and what the model makes of today's.

    Past the shortest and the longest gap nothing was struck, and nothing is extrapolated.
    """
    half, most = recovery.contour(0.5), recovery.contour(0.95)
    return [
        {
            "level": f"{level:+g}" if level else "0",
            "half": _told(recovery, half, k),
            "most": _told(recovery, most, k),
            "model": _model(now, float(level)),
        }
        for k, level in enumerate(recovery.level_differences_db)
    ]


def _told(recovery: RecoveryMap, contour: Contour, k: int) -> str:
    least, longest = float(recovery.gaps_ms[0]), float(recovery.gaps_ms[-1])
    gap, low, high = (float(x[k]) for x in (contour.gap_ms, contour.low_ms, contour.high_ms))
    if math.isnan(gap):
        return "–"
    if low < least and high > longest:
        return f"not told between {least:g} and {longest:g}"
    if low < least:
        return f"at most {max(high, least):.1f}"
    if high > longest:
        return f"at least {min(low, longest):.1f}"
    return f"{gap:.1f} [{low:.1f}, {high:.1f}]"


def _model(now: Settings, level_db: float) -> str:
    if now.dead_time_ms is None or now.release_ms is None:
        return "–"
    blind_ms = max(now.dead_time_ms, now.peak_window_ms or 0.0)
    return f"{recovery_gap_ms(blind_ms, now.release_ms, max(0.0, -level_db)):.1f}"


def late_words(strokes: pd.DataFrame) -> str:
    """Say that notes of second strokes come late; empty where they don't."""
    found = late_seconds(strokes)
    if found is None:
        return ""
    return (
        f"{found.late} of {found.caught} second strokes that count as caught sound late: "
        f"{found.late_ms:.1f} ms after their onset in the middle, where strokes alone take "
        f"{found.usual_ms:.1f} ms. The module was not armed when they began, and triggered on what "
        "came later of their sound, as a late peak; a player hears them behind"
    )


def recovery_part(
    recovery: RecoveryMap | None, strokes: pd.DataFrame, now: Settings
) -> dict[str, Any]:
    """Give what a template needs of it."""
    return {
        "contours": contour_rows(recovery, now) if recovery else [],
        "late_seconds": late_words(strokes) if recovery else "",
    }
