"""Examples of one cause: the sensor's sound about the fault, and what the module waits for."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from matplotlib.artist import Artist
from matplotlib.axes import Axes

from analysis.pipeline import Analysis
from analysis.report.style import BAND, CLEAN, DOUBLE, INK, LOST, picture, to_png

EXAMPLES = 3
_BEFORE_MS, _AFTER_MS = 25.0, 55.0
_FLOOR_DBFS = -75.0


def cause_picture(analysis: Analysis, faults: pd.DataFrame) -> bytes:
    """Draw up to three faults of one cause, the first, the middle and the last.

    Parameters
    ----------
    analysis
        The run.
    faults
        Rows of :func:`analysis.causes.explain`, at least one.
    """
    places = np.unique(np.linspace(0, len(faults) - 1, min(EXAMPLES, len(faults))).astype(int))
    with picture(11, 5.8) as figure:
        # panels of a fixed place: a layout that makes room for the legend shrinks them to nothing
        figure.set_layout_engine(None)
        panels = figure.subplots(1, len(places), sharey=True, squeeze=False)[0]
        figure.subplots_adjust(left=0.09, right=0.985, top=0.91, bottom=0.33, wspace=0.08)
        for axes, place in zip(panels, places, strict=True):
            _example(axes, analysis, faults.iloc[place])
        panels[0].set_ylabel("sensor level, dBFS")
        panels[len(panels) // 2].set_xlabel("milliseconds")
        handles: dict[str, Artist] = {}
        for axes in panels:
            for handle, label in zip(*axes.get_legend_handles_labels(), strict=True):
                handles.setdefault(label, handle)
        figure.legend(list(handles.values()), list(handles), ncols=3, loc="lower center")
        return to_png(figure)


def _example(axes: Axes, analysis: Analysis, fault: pd.Series) -> None:
    audio, column = analysis.audio, analysis.recording.roles["sensor"]
    rate_hz, at_s = audio.sample_rate_hz, float(fault["t_s"])
    first = max(0, round((at_s - 1e-3 * _BEFORE_MS) * rate_hz))
    samples = audio.window(first, round(1e-3 * (_BEFORE_MS + _AFTER_MS) * rate_hz))[:, column]
    hold = max(1, round(rate_hz / 8000))
    usable = samples.size // hold * hold
    level = np.abs(samples[:usable]).reshape(-1, hold).max(axis=1)
    decibels = 20.0 * np.log10(np.maximum(level, 10.0 ** (_FLOOR_DBFS / 20.0)))
    t_ms = 1e3 * ((first + np.arange(level.size) * hold) / rate_hz - at_s)
    axes.plot(t_ms, decibels, color=CLEAN, linewidth=1.4, label="sensor")
    _detector(axes, analysis, at_s, (float(t_ms[0]), float(t_ms[-1])))
    near = analysis.table.notes
    offset_ms = 1e3 * (near["note_t_s"].to_numpy(dtype=float) - at_s)
    inside = (offset_ms > t_ms[0]) & (offset_ms < t_ms[-1])
    for role, colour, sign in (("first", INK, "v"), ("other", DOUBLE, "X")):
        these = inside & ((near["role"] == "first").to_numpy() == (role == "first"))
        words = "first note of a stroke" if role == "first" else "note too many"
        axes.plot(
            offset_ms[these], np.full(int(these.sum()), 3.0), sign, color=colour, markersize=13,
            label=words if these.any() else None, clip_on=False,
        )  # fmt: skip
    axes.set_ylim(_FLOOR_DBFS, 6)
    axes.set_xlim(-_BEFORE_MS, _AFTER_MS)
    axes.set_title(f"at {at_s:.2f} s", fontsize=17)


def _detector(axes: Axes, analysis: Analysis, at_s: float, span_ms: tuple[float, float]) -> None:
    """Draw threshold, dead time and re-arming level as the settings in force would have them."""
    settings = analysis.specimen.module.settings
    if settings.threshold_percent is None:
        return
    gain_db = settings.gain_db or 0.0
    threshold = 20.0 * math.log10(max(settings.threshold_percent, 1e-3) / 100.0) - gain_db
    axes.axhline(threshold, color=LOST, linestyle=":", label="threshold")
    dead_ms, release_ms = settings.dead_time_ms, settings.release_ms
    strokes = analysis.table.strokes
    heard = strokes[strokes["note_t_s"].notna() & strokes["onset_t_s"].notna()]
    offset_ms = 1e3 * (heard["onset_t_s"].to_numpy(dtype=float) - at_s)
    if dead_ms is None or release_ms is None:
        return
    for begin_ms, peak in zip(offset_ms, heard["peak_dbfs"], strict=True):
        if not span_ms[0] - 100.0 < begin_ms < span_ms[1]:
            continue
        axes.axvspan(
            max(begin_ms, span_ms[0]), max(begin_ms + dead_ms, span_ms[0]), color=BAND, zorder=0,
            label="dead time",
        )  # fmt: skip
        later = offset_ms[offset_ms > begin_ms]
        end_ms = min(span_ms[1], float(later.min()) if later.size else math.inf)
        t_ms = np.linspace(begin_ms + dead_ms, max(end_ms, begin_ms + dead_ms), 200)
        falling = peak - 20.0 / math.log(10.0) * (t_ms - t_ms[0]) / max(release_ms, 1e-3)
        axes.plot(
            t_ms, np.maximum(falling, threshold), color=LOST, linewidth=2.5,
            label="re-arming level",
        )  # fmt: skip
