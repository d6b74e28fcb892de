"""The latency distribution: every stroke, the median with its interval, and the limits."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from analysis.decide import describe
from analysis.measure import Measure
from analysis.report.style import BAND, CLEAN, INK, brief, limit_lines, picture, to_png, upright
from rig.record.protocol import Limit


def latency_picture(
    strokes: pd.DataFrame, median: Measure | None, limits: Sequence[Limit]
) -> bytes | None:
    """Draw the share of strokes answered within a time, over that time.

    Parameters
    ----------
    strokes
        Stroke table; rows that are invalid or without note are left out.
    median
        Measure of the median, whose interval is drawn as a band; None leaves it out.
    limits
        Limits of the protocol; those on a latency in ms are drawn.

    Returns
    -------
    PNG bytes, or None where fewer than two strokes have a latency.
    """
    chosen = strokes[strokes["valid"].astype(bool)]
    if (strokes["strike"] >= 0).any():
        chosen = chosen[chosen["strike"] >= 0]
    latency_ms = np.sort(chosen["latency_s"].to_numpy(float) * 1e3)
    latency_ms = latency_ms[np.isfinite(latency_ms)]
    if latency_ms.size < 2:
        return None
    demands = [
        (one.value, f"{one.measure.removeprefix('latency_')} {one.bound.replace('_', ' ')} "
         f"{one.value:g} ms" + (f", {brief(one.stage)}" if one.stage else ""))
        for one in limits
        if one.measure.startswith("latency") and one.unit == "ms"
    ]  # fmt: skip
    with picture(11, 6.6) as figure:
        share, each = figure.subplots(2, 1, sharex=True, height_ratios=(4, 1))
        share.step(
            latency_ms, np.arange(1, latency_ms.size + 1) / latency_ms.size * 100, color=CLEAN
        )
        share.set_ylabel("answered, %")
        lines = len(demands) + (median is not None and bool(np.isfinite(median.value)))
        share.set_ylim(-4, 104 / (1 - 0.105 * lines))
        share.set_yticks(range(0, 101, 20))
        share.set_title(f"Latency of {latency_ms.size} strokes: onset to end of the note")
        if median is not None and np.isfinite(median.value):
            for axes in (share, each):
                axes.axvspan(median.low, median.high, color=BAND, zorder=0)
        ends = [latency_ms[0], latency_ms[-1], *(value for value, _ in demands)]
        room = 0.03 * (max(ends) - min(ends))
        share.set_xlim(min(ends) - room, max(ends) + room)
        if median is not None and np.isfinite(median.value):
            words = f"median {describe(median)}"
            upright(share, median.value, words, colour=INK)
        limit_lines(share, demands, below=lines - len(demands))
        # a fixed spread keeps equal latencies from hiding each other, and the picture repeatable
        height = np.random.default_rng(0).uniform(0.1, 0.9, latency_ms.size)
        each.plot(latency_ms, height, ".", color=CLEAN, alpha=0.6, markersize=5)
        each.set_yticks([])
        each.set_ylabel("strokes")
        each.set_xlabel("latency, ms")
        return to_png(figure)
