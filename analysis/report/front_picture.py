"""Trade-offs between settings, with today's and the advised ones marked."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from analysis.front import SOFTER_DB, Front
from analysis.report.advice_words import records
from analysis.report.style import CLEAN, DOUBLE, INK, LOST, PALE, picture, to_png


def window_picture(front: Front) -> bytes | None:
    """Draw the spread of the level over the latency, a point for each peak window.

    None where no spread is known: no force was struck twice, or no force is known.
    """
    rows = front.windows
    if not np.isfinite(rows["spread_db"]).any():
        return None
    with picture(11, 5.5) as figure:
        axes = figure.subplots()
        axes.plot(rows["latency_ms"], rows["spread_db"], color=PALE, marker="o", zorder=1)
        chosen = rows[rows["chosen"]]
        axes.plot(
            chosen["latency_ms"], chosen["spread_db"], "o", color=CLEAN, markersize=10,
            label="not to be bettered",
        )  # fmt: skip
        _marks(axes, rows, "latency_ms", "spread_db", words=lambda r: f"{r['peak_window_ms']:g} ms")
        axes.set_ylim(0, 1.12 * _most(rows["spread_db"]))
        axes.set_xlabel("onset to the end of the peak window, ms")
        axes.set_ylabel("spread of one force, dB")
        axes.set_title("Peak window: latency against spread of the level")
        figure.legend(ncols=3, loc="outside lower center")
        return to_png(figure)


def recovery_front_picture(front: Front) -> bytes:
    """Draw doubles over the gap that a softer second stroke needs: dead time and release."""
    rows = front.recoveries
    with picture(11, 5.5) as figure:
        axes = figure.subplots()
        axes.plot(
            rows["gap_softer_ms"], 100 * rows["doubled_share"], ".", color=PALE, markersize=9,
            label="a dead time and a release",
        )  # fmt: skip
        chosen = rows[rows["chosen"]].sort_values("gap_softer_ms")
        axes.plot(
            chosen["gap_softer_ms"], 100 * chosen["doubled_share"], color=CLEAN, marker="o",
            markersize=10, drawstyle="steps-post", label="not to be bettered",
        )  # fmt: skip
        _marks(
            axes, rows, "gap_softer_ms", "doubled_share", 100.0,
            words=lambda r: f"{r['dead_time_ms']:g} ms, {r['release_ms']:.3g} ms",
        )  # fmt: skip
        shown = rows[rows["today"] | rows["advised"]]
        last = max(80.0, *(1.1 * shown["gap_softer_ms"])) if len(shown) else 80.0
        axes.set_xlim(0, last)
        axes.set_ylim(-8, 104)
        axes.set_xlabel(f"gap after which a stroke {SOFTER_DB:g} dB softer is caught, ms")
        axes.set_ylabel("strokes that double, %")
        axes.set_title("Dead time and release: doubles against flams and rolls")
        figure.legend(ncols=2, loc="outside lower center")
        return to_png(figure)


def _most(values: pd.Series) -> float:
    """Give the greatest of them, 1 where none is known."""
    known = values[np.isfinite(values) & (values > 0.0)]
    return float(known.max()) if len(known) else 1.0


def _marks(
    axes: Axes, rows: pd.DataFrame, x: str, y: str, scale: float = 1.0,
    *, words: Callable[[Mapping[str, Any]], str],
) -> None:  # fmt: skip
    """Mark today's settings with a square, the advised ones with a diamond within it.

    The square is the greater one, so that neither hides the other where they are alike; their
    settings stand in the legend, where they cover no point.
    """
    for name, sign, colour, size in (("today", "s", LOST, 22), ("advised", "D", DOUBLE, 13)):
        here = rows[rows[name]]
        if len(here):
            axes.plot(
                here[x], scale * np.asarray(here[y]), sign, color=colour, markersize=size,
                markeredgecolor=INK, label=f"{name}: {words(records(here)[0])}",
                zorder=4 if name == "today" else 5,
            )  # fmt: skip
