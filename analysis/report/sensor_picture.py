"""Level of the sensor over force, between its noise and full scale."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.report.style import CLEAN, INK, LOST, picture, to_png
from analysis.sensor import Noise


def sensor_picture(by_force: pd.DataFrame, noise: Noise, unit: str) -> bytes | None:
    """Draw each force's mean level with twice its spread, the noise below and full scale above.

    Returns
    -------
    PNG bytes, or None where no force is known.
    """
    rows = by_force.dropna(subset=["force_n"]) if len(by_force) else by_force
    if rows.empty:
        return None
    with picture(11, 5.5) as figure:
        axes = figure.subplots()
        axes.errorbar(
            rows["force_n"], rows["level_dbfs"], yerr=2.0 * rows["spread_db"].fillna(0.0),
            color=CLEAN, marker="o", markersize=9, capsize=7, label="strokes, ± twice their spread",
        )  # fmt: skip
        clipped = rows[rows["clipped"] > 0]
        if len(clipped):
            axes.plot(
                clipped["force_n"], np.zeros(len(clipped)), "X", color=LOST, markersize=16,
                label="some are clipped",
            )  # fmt: skip
        axes.axhline(0.0, color=INK)
        right = rows["force_n"].max()
        for percent, level in noise.percentiles.items():
            if percent in (50.0, 99.9):
                axes.axhline(level, color=LOST, linestyle=(0, (5, 2)))
                axes.annotate(
                    f"noise, {percent:g} % of the time below", (right, level), xytext=(0, 4),
                    textcoords="offset points", ha="right", color=LOST,
                )  # fmt: skip
        axes.annotate("full scale", (right, 0.0), xytext=(0, 4), textcoords="offset points",
                      ha="right")  # fmt: skip
        axes.set_ylim(min(noise.percentiles.values()) - 6.0, 8.0)
        axes.set_xscale("log")
        axes.set_xticks(rows["force_n"], [f"{force:g}" for force in rows["force_n"]])
        axes.minorticks_off()
        axes.set_xlabel(unit)
        axes.set_ylabel("highest level, dBFS")
        axes.set_title("Sensor: level and head room")
        figure.legend(ncols=2, loc="outside lower center")
        return to_png(figure)
