"""Velocity over force, with what is left after the declared curve."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.report.style import CLEAN, INK, picture, to_png
from rig.record.specimen import DeclaredCurve


def velocity_picture(strokes: pd.DataFrame, declared: DeclaredCurve) -> bytes | None:
    """Draw velocity over force, the declared curve, and the residuals from it.

    The declared curve is laid through the medians of the softest and the hardest force (the
    end-point line of a converter's linearity), as the measure of nonlinearity does. Where the
    bench isn't calibrated the axis is the pulse width.

    Returns
    -------
    PNG bytes, or None with fewer than two forces that were answered.
    """
    chosen = strokes[
        strokes["valid"].astype(bool)
        & (strokes["pattern"] == "single")
        & (strokes["velocity"].to_numpy(float) > 0)
    ]
    force = chosen["force_n"].to_numpy(float)
    calibrated = bool(np.isfinite(force).any())
    x = force if calibrated else chosen["width_us"].to_numpy(float)
    velocity = chosen["velocity"].to_numpy(float)
    keep = np.isfinite(x)
    x, velocity = x[keep], velocity[keep]
    levels = np.unique(x)
    if levels.size < 2:
        return None
    medians = np.array([np.median(velocity[x == level]) for level in levels])
    exponent = declared.exponent
    span = levels[-1] ** exponent - levels[0] ** exponent

    def curve(at: np.ndarray) -> np.ndarray:
        part = (at**exponent - levels[0] ** exponent) / span
        return np.asarray(medians[0] + part * (medians[-1] - medians[0]))

    spread = 1 + np.random.default_rng(0).uniform(-0.012, 0.012, x.size)
    with picture(11, 7.5) as figure:
        top, below = figure.subplots(2, 1, sharex=True, height_ratios=(3, 1.4))
        words = "declared curve" + (f", force to the power {exponent:g}" if exponent != 1 else "")
        fine = np.linspace(levels[0], levels[-1], 200)
        top.plot(fine, curve(fine), color=INK, linewidth=1.4, label=words)
        top.plot(x * spread, velocity, ".", color=CLEAN, alpha=0.6, label="strokes")
        top.plot(levels, medians, "o", color=CLEAN, fillstyle="none", markersize=9, label="median")
        top.set_ylim(0, 130)
        top.set_ylabel("MIDI velocity")
        top.set_title("Velocity over force" if calibrated else "Velocity over drive")
        figure.legend(*top.get_legend_handles_labels(), ncols=3, loc="outside lower center")
        below.axhline(0, color=INK, linewidth=1.2)
        below.plot(x * spread, velocity - curve(x), ".", color=CLEAN, alpha=0.6)
        below.plot(
            levels, medians - curve(levels), "o", color=CLEAN, fillstyle="none", markersize=9
        )
        below.set_ylabel("off, levels")
        below.set_xlabel("force, N" if calibrated else "pulse width, µs (bench not calibrated)")
        return to_png(figure)
