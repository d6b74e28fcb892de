"""Transients laid over each other from their onsets, in plain milliseconds and dBFS."""

from __future__ import annotations

from typing import Protocol

import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.report.style import CLEAN, DOUBLE, INK, LOST, picture, to_png

_BEFORE_MS = 2.0
_AFTER_MS = 40.0
_EACH = 12
_FLOOR_DBFS = -80.0


class Windows(Protocol):
    """What gives stretches of the recording; ``rig.record`` has it."""

    sample_rate_hz: int

    def window(self, first: int, count: int) -> npt.NDArray[np.float32]:
        """Return frames × channels."""


def transient_picture(strokes: pd.DataFrame, audio: Windows, sensor: int) -> bytes | None:
    """Draw the level of up to a dozen strokes each: clean, lost and double.

    Parameters
    ----------
    strokes
        Stroke table.
    audio
        Reader of the recording.
    sensor
        Column of the sensor, from 0.

    Returns
    -------
    PNG bytes, or None where no stroke has an onset.
    """
    rate_hz = audio.sample_rate_hz
    before, after = int(_BEFORE_MS * rate_hz / 1e3), int(_AFTER_MS * rate_hz / 1e3)
    hold = max(1, rate_hz // 4000)
    kinds = (("clean", CLEAN, 0.35), ("lost", LOST, 0.9), ("double", DOUBLE, 0.9))
    with picture(11, 6) as figure:
        axes = figure.subplots()
        drawn = False
        for name, colour, strength in kinds:
            these = strokes[
                (strokes["outcome"] == name) & np.isfinite(strokes["onset_t_s"].to_numpy(float))
            ]
            if these.empty:
                continue
            # spread over the levels met, so that soft and hard strokes are both seen
            order = these.sort_values("peak_dbfs")
            places = np.unique(np.linspace(0, len(order) - 1, min(_EACH, len(order))).astype(int))
            for count, onset_s in enumerate(order["onset_t_s"].to_numpy(float)[places]):
                onset = round(onset_s * rate_hz)
                samples = audio.window(max(0, onset - before), before + after)[:, sensor]
                usable = samples.size // hold * hold
                peaks = np.abs(samples[:usable]).reshape(-1, hold).max(axis=1)
                level_dbfs = 20 * np.log10(np.maximum(peaks, 10 ** (_FLOOR_DBFS / 20)))
                time_ms = (np.arange(peaks.size) * hold - min(onset, before)) / rate_hz * 1e3
                axes.plot(time_ms, level_dbfs, color=colour, alpha=strength, linewidth=1.2,
                          label=f"{name} ({len(these)})" if count == 0 else None)  # fmt: skip
                drawn = True
        if not drawn:
            return None
        axes.axvline(0, color=INK, linewidth=1.2)
        axes.set_ylim(_FLOOR_DBFS, 3)
        axes.set_xlim(-_BEFORE_MS, _AFTER_MS)
        axes.set_xlabel("milliseconds from the onset")
        axes.set_ylabel("sensor level, dBFS")
        axes.set_title("Sensor's sound of strokes, laid over each other")
        figure.legend(ncols=3, loc="outside lower center")
        return to_png(figure)
