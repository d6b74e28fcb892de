"""Roll and flam curves: chance of a clean stroke over rate, of a caught second over gap."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from analysis.measure import Measure
from analysis.report.style import BAND, CLEAN, INK, LOST, limit_line, picture, to_png
from rig.record.protocol import Limit

_MARKS = ("o", "s", "^", "D", "v")


def roll_picture(measure: Measure, limits: Sequence[Limit]) -> bytes | None:
    """Draw the share of clean strokes at each rate with its interval, and the fitted curve.

    Returns
    -------
    PNG bytes, or None where no roll was struck.
    """
    points = [p for p in measure.details.get("points", []) if p["strokes"] > 0]
    if not points:
        return None
    rate = np.array([p["rate_per_s"] for p in points])
    with picture(11, 5) as figure:
        axes = figure.subplots()
        _band(axes, measure)
        curve = measure.details.get("curve")
        if curve:
            axes.plot(curve["rate_per_s"], 100 * np.array(curve["chance"]), color=INK,
                      linewidth=1.5, label="fit")  # fmt: skip
        _points(axes, rate, points, CLEAN, "o", "struck")
        for limit in limits:
            if limit.measure == measure.name and limit.stage in ("", measure.stage):
                limit_line(axes, limit.value, f"limit {limit.value:g}/s")
        axes.axhline(100 * measure.details["chance"], color=INK, linewidth=1, linestyle=":")
        axes.set_xlim(max(0.0, rate.min() - 2), rate.max() + 2)
        axes.set_ylim(-4, 104)
        axes.set_xlabel("strokes a second")
        axes.set_ylabel("clean strokes, %")
        axes.set_title("Roll: strokes with exactly one note")
        axes.legend(loc="lower left")
        return to_png(figure)


def flam_picture(measure: Measure, limits: Sequence[Limit]) -> bytes | None:
    """Draw the share of second strokes caught at each gap, a curve for each level difference.

    Returns
    -------
    PNG bytes, or None where no pair was struck.
    """
    groups = measure.details.get("by_level_difference", [])
    if not groups:
        return None
    gaps: list[float] = []
    with picture(11, 5) as figure:
        axes = figure.subplots()
        _band(axes, measure)
        for place, group in enumerate(groups):
            points = group["points"]
            if not points:
                continue
            gap = np.array([p["gap_ms"] for p in points])
            gaps += gap.tolist()
            colour = (CLEAN, LOST, INK)[place % 3]
            if "curve" in group:
                curve = group["curve"]
                axes.plot(curve["gap_ms"], 100 * np.array(curve["chance"]), color=colour,
                          linewidth=1.3)  # fmt: skip
            _points(axes, gap, points, colour, _MARKS[place % 5],
                    f"second {group['level_difference_db']:+g} dB")  # fmt: skip
        if not gaps:
            return None
        for limit in limits:
            if limit.measure == measure.name and limit.stage in ("", measure.stage):
                limit_line(axes, limit.value, f"limit {limit.value:g} ms")
        axes.axhline(100 * measure.details["chance"], color=INK, linewidth=1, linestyle=":")
        axes.set_xlim(0, max(gaps) * 1.08)
        axes.set_ylim(-4, 104)
        axes.set_xlabel("gap between the two strokes, ms")
        axes.set_ylabel("second caught, %")
        axes.set_title("Flam: second strokes that got their note")
        axes.legend(loc="lower right")
        return to_png(figure)


def _band(axes: Any, measure: Measure) -> None:
    if np.isfinite(measure.low) and np.isfinite(measure.high):
        axes.axvspan(measure.low, measure.high, color=BAND, zorder=0)
    if np.isfinite(measure.value):
        axes.axvline(measure.value, color=INK, linewidth=1.2)


def _points(
    axes: Any,
    x: np.ndarray,
    points: Sequence[Mapping[str, float]],
    colour: str,
    mark: str,
    label: str,
) -> None:
    value, low, high = (100 * np.array([p[name] for p in points]) for name in _SHARE)
    error = np.maximum(0.0, np.stack([value - low, high - value]))
    axes.errorbar(x, value, error, fmt=mark, color=colour, capsize=4, markersize=8, label=label)


_SHARE = ("share", "low", "high")
