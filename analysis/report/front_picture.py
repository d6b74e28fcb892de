"""Trade-offs between settings, with today's and the advised ones marked."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from analysis.front import SOFTER_DB, Front
from analysis.report.advice_words import records
from analysis.report.style import CLEAN, DOUBLE, INK, LOST, PALE, picture, to_png


def window_picture(front: Front) -> bytes:
    """Draw the spread of the level over the latency, a point for each peak window."""
    rows = front.windows
    with picture(11, 5.5) as figure:
        axes = figure.subplots()
        axes.plot(rows["latency_ms"], rows["spread_db"], color=PALE, marker="o", zorder=1)
        chosen = rows[rows["chosen"]]
        axes.plot(
            chosen["latency_ms"], chosen["spread_db"], "o", color=CLEAN, markersize=10,
            label="not to be bettered",
        )  # fmt: skip
        _marks(axes, rows, "latency_ms", "spread_db")
        for row in records(rows[rows["today"] | rows["advised"]]):
            axes.annotate(
                f"{row['peak_window_ms']:g} ms",
                (row["latency_ms"], row["spread_db"]),
                xytext=(0, 16),
                textcoords="offset points",
                ha="center",
            )
        axes.set_ylim(0, None)
        axes.margins(y=0.25)
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
        _marks(axes, rows, "gap_softer_ms", "doubled_share", 100.0)
        shown = rows[rows["today"] | rows["advised"]]
        last = max(80.0, *(1.1 * shown["gap_softer_ms"])) if len(shown) else 80.0
        axes.set_xlim(0, last)
        axes.set_ylim(-4, 104)
        axes.set_xlabel(f"gap after which a stroke {SOFTER_DB:g} dB softer is caught, ms")
        axes.set_ylabel("strokes that double, %")
        axes.set_title("Dead time and release: doubles against flams and rolls")
        figure.legend(ncols=2, loc="outside lower center")
        return to_png(figure)


def _marks(axes: Axes, rows: pd.DataFrame, x: str, y: str, scale: float = 1.0) -> None:
    """Mark today's settings with a square, the advised ones with a diamond."""
    for name, words, sign, colour in (
        ("today", "today", "s", LOST),
        ("advised", "advised", "D", DOUBLE),
    ):
        here = rows[rows[name]]
        if len(here):
            axes.plot(
                here[x], scale * np.asarray(here[y]), sign, color=colour, markersize=16,
                markeredgecolor=INK, label=words, zorder=4,
            )  # fmt: skip
