"""The stroke raster: what was struck, heard and sent, with every lost and double stroke marked."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.report.style import CLEAN, DOUBLE, INK, LOST, PALE, picture, to_png

MOST_ROWS = 14
_ROW_S = 6.0


def raster_picture(strokes: pd.DataFrame, notes: pd.DataFrame) -> bytes | None:
    """Draw strokes and notes as lines of a page, each a stretch of time.

    Every stroke is a tick that hangs from its onset, every note one that stands on its time of
    arrival. Where the run is longer than the page, the stretches with lost or double strokes
    come first in choice, in order of time; the title says how many stretches were left out.

    Returns
    -------
    PNG bytes, or None where nothing was struck and nothing sent.
    """
    onset = strokes["onset_t_s"].to_numpy(float)
    struck = np.where(np.isfinite(onset), onset, strokes["drive_t_s"].to_numpy(float))
    sent = notes["note_t_s"].to_numpy(float)
    times = np.concatenate([struck, sent])
    times = times[np.isfinite(times)]
    if times.size == 0:
        return None
    outcome = strokes["outcome"].to_numpy(str)
    planned = (strokes["strike"] >= 0).to_numpy()
    if planned.any():
        # what no strike explains is no lost stroke of the specimen
        outcome = np.where(planned, outcome, "unexplained")
    role = notes["role"].to_numpy(str)
    row_of_stroke = np.floor(struck / _ROW_S)
    row_of_note = np.floor(sent / _ROW_S)
    rows = np.unique(np.floor(times / _ROW_S))
    trouble = np.concatenate(
        [
            row_of_stroke[np.isin(outcome, ("lost", "double", "invalid", "no_contact"))],
            row_of_note[np.isin(role, ("stray", "crosstalk"))],
        ]
    )
    urgent = np.isin(rows, trouble)
    chosen = np.sort(np.concatenate([rows[urgent], rows[~urgent]])[:MOST_ROWS])
    with picture(11, 2.0 + 0.7 * chosen.size) as figure:
        axes = figure.subplots()
        for place, row in enumerate(chosen):
            base = -float(place)
            axes.axhline(base, color=PALE, linewidth=1)
            mine = row_of_stroke == row
            x = struck[mine] - row * _ROW_S
            kind = outcome[mine]
            for name, colour in (("clean", INK), ("double", INK), ("lost", LOST)):
                axes.vlines(x[kind == name], base, base + 0.4, color=colour, linewidth=1.6)
            faulty = np.isin(kind, ("invalid", "no_contact", "unexplained"))
            axes.vlines(x[faulty], base, base + 0.4, color=PALE, linewidth=3)
            axes.plot(x[kind == "lost"], np.full((kind == "lost").sum(), base + 0.4), "x",
                      color=LOST, markersize=9, markeredgewidth=2.5)  # fmt: skip
            mine = row_of_note == row
            x = sent[mine] - row * _ROW_S
            kind = role[mine]
            axes.vlines(x[kind == "first"], base - 0.35, base, color=CLEAN, linewidth=1.6)
            for name, mark in (("double", "v"), ("stray", "D"), ("crosstalk", "s")):
                again = x[kind == name]
                axes.vlines(again, base - 0.35, base, color=DOUBLE, linewidth=1.6)
                axes.plot(again, np.full(again.size, base - 0.36), mark, color=DOUBLE, markersize=7)
        axes.set_yticks(-np.arange(chosen.size), [f"{row * _ROW_S:.0f} s" for row in chosen])
        axes.grid(visible=False)
        axes.set_ylim(-chosen.size + 0.45, 0.7)
        axes.set_xlim(-0.05, _ROW_S + 0.05)
        axes.set_xlabel("seconds from the time at the left")
        left_out = rows.size - chosen.size
        tail = f"; {left_out} of {rows.size} rows not shown" if left_out else ""
        axes.set_title(f"Struck and heard (up), sent (down){tail}")
        handles = [
            axes.plot([], [], "|", color=INK, markersize=14, markeredgewidth=2)[0],
            axes.plot([], [], "x", color=LOST, markersize=9, markeredgewidth=2.5)[0],
            axes.plot([], [], "|", color=PALE, markersize=14, markeredgewidth=3)[0],
            axes.plot([], [], "|", color=CLEAN, markersize=14, markeredgewidth=2)[0],
            axes.plot([], [], "v", color=DOUBLE, markersize=8)[0],
            axes.plot([], [], "D", color=DOUBLE, markersize=7)[0],
        ]
        names = ["stroke", "lost", "not counted", "note", "double", "stray"]
        figure.legend(handles, names, ncols=6, loc="outside lower center")
        return to_png(figure)
