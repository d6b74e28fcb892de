"""Roll and flam curves: chance of a clean stroke over rate, of a caught second over gap."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from analysis.decide import describe
from analysis.measure import UNITS, Measure
from analysis.report.style import BAND, CLEAN, INK, LOST, limit_lines, picture, to_png, upright
from rig.record.protocol import Limit

_MARKS = ("o", "s", "^", "D", "v")
_SHARE = ("share", "low", "high")


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
    with picture(11, 6) as figure:
        axes = figure.subplots()
        axes.set_xlim(max(0.0, rate.min() - 2), rate.max() + 2)
        _found(axes, measure, limits)
        curve = measure.details.get("curve")
        if curve:
            axes.plot(curve["rate_per_s"], 100 * np.array(curve["chance"]), color=INK,
                      linewidth=1.5, label="fit")  # fmt: skip
        _points(axes, rate, points, CLEAN, "o", "rolls struck, with their interval")
        axes.set_xlabel("strokes a second")
        axes.set_ylabel("clean strokes, %")
        axes.set_title("Roll: strokes with exactly one note")
        figure.legend(ncols=2, loc="outside lower center")
        return to_png(figure)


def flam_picture(measure: Measure, limits: Sequence[Limit]) -> bytes | None:
    """Draw the share of second strokes caught at each gap, a curve for each level difference.

    Returns
    -------
    PNG bytes, or None where no pair was struck.
    """
    groups = [g for g in measure.details.get("by_level_difference", []) if g["points"]]
    if not groups:
        return None
    longest = max(p["gap_ms"] for group in groups for p in group["points"])
    with picture(11, 6) as figure:
        axes = figure.subplots()
        axes.set_xlim(0, longest * 1.08)
        _found(axes, measure, limits)
        for place, group in enumerate(groups):
            points, level_db = group["points"], group["level_difference_db"]
            # side by side, so that points of one gap don't hide each other
            beside = 0.009 * longest * (place - (len(groups) - 1) / 2)
            gap = np.array([p["gap_ms"] for p in points]) + beside
            colour = (CLEAN, LOST, INK)[place % 3]
            if "curve" in group:
                curve = group["curve"]
                axes.plot(curve["gap_ms"], 100 * np.array(curve["chance"]), color=colour,
                          linewidth=1.3)  # fmt: skip
            _points(axes, gap, points, colour, _MARKS[place % 5],
                    f"second {_against(level_db)}")  # fmt: skip
        axes.set_xlabel("gap between the two strokes, ms")
        axes.set_ylabel("second caught, %")
        axes.set_title("Flam: second strokes that got their note")
        figure.legend(ncols=2 if len(groups) > 1 else 1, loc="outside lower center")
        return to_png(figure)


def _found(axes: Axes, measure: Measure, limits: Sequence[Limit]) -> None:
    """Draw the measure with its interval, the chance that it is of, and its limits."""
    axes.set_ylim(-4, 138)
    axes.set_yticks(range(0, 101, 20))
    chance = 100 * measure.details["chance"]
    axes.axhline(chance, color=INK, linewidth=1.2, linestyle=":")
    axes.annotate(
        f"{chance:g} %",
        (1.0, chance),
        xycoords=("axes fraction", "data"),
        xytext=(4, 0),
        textcoords="offset points",
        va="center",
    )
    if np.isfinite(measure.low) and np.isfinite(measure.high):
        axes.axvspan(measure.low, measure.high, color=BAND, zorder=0)
    if np.isfinite(measure.value):
        upright(axes, measure.value, describe(measure), colour=INK)
    mine = [
        limit
        for limit in limits
        if limit.measure == measure.name and (not measure.stage or limit.stage == measure.stage)
    ]
    unit = UNITS.get(measure.unit, measure.unit)
    bounds = list(dict.fromkeys((limit.value, limit.bound.replace("_", " ")) for limit in mine))
    limit_lines(
        axes, [(value, f"limit: {bound} {value:g} {unit}") for value, bound in bounds], below=1
    )


def _against(level_db: float) -> str:
    if level_db == 0:
        return "equally hard"
    return f"{abs(level_db):g} dB {'softer' if level_db < 0 else 'harder'}"


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
    axes.errorbar(x, value, error, fmt=mark, color=colour, capsize=4, markersize=9, label=label)
