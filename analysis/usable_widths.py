"""Pulse widths of a ladder that tell a force."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

Floats = npt.NDArray[np.float64]

LEAST_RISE = 1.01
"""Mean force of a width over that of the next smaller one; below it the plunger arrives before
its pulse ends, and the width no longer tells the force."""


def usable_widths(
    strokes: pd.DataFrame, least_rise: float = LEAST_RISE
) -> tuple[Floats, list[str]]:
    """Widths whose every stroke landed once, unclipped, with a force that still grows.

    Parameters
    ----------
    strokes
        Of one striker, columns as ``force_strokes`` gives them.
    least_rise
        Of the mean force from width to width; 0 where widths are too close to show one.

    Returns
    -------
    widths
        Rising; the longest unbroken stretch of usable ones. Empty if there is none.
    remarks
        What was left out, and why.
    """
    levels = (
        strokes.assign(
            silent=strokes["contacts"] == 0,
            twice=strokes["contacts"] > 1,
            lost=strokes["drive_t_s"].isna(),
        )
        .groupby("width_us")
        .agg(
            force_n=("force_n", "mean"),
            **{name: (name, "any") for name in ("lost", "clipped", "silent", "twice")},
        )
    )
    widths = levels.index.to_numpy(dtype=np.float64)
    why = np.full(len(levels), "", dtype=object)
    rises = np.ones(len(levels), dtype=bool)
    forces = levels["force_n"].to_numpy()
    rises[1:] = ~(forces[1:] < least_rise * np.fmax.accumulate(forces)[:-1])
    reasons = {
        "the force no longer grows: the plunger arrives before its pulse ends": ~rises,
        "the plunger strikes twice: it comes back while the coil is still on": levels["twice"],
        "not every stroke lands": levels["silent"],
        "the sensor reaches full scale": levels["clipped"],
        "not every strike was made": levels["lost"],
    }
    for reason, holds in reasons.items():
        why[np.asarray(holds, dtype=bool)] = reason
    good = np.concatenate([[False], why == "", [False]])
    starts, ends = np.flatnonzero(np.diff(good.astype(np.int8))).reshape(-1, 2).T
    if not len(starts):
        return np.zeros(0), [
            f"{width:g} µs: {reason}" for width, reason in zip(widths, why, strict=True)
        ]
    best = int(np.argmax(ends - starts))
    remarks = []
    if starts[best]:
        last = starts[best] - 1
        remarks.append(f"widths up to {widths[last]:g} µs are left out: {why[last]}")
    if ends[best] < len(widths):
        next_one = ends[best]
        remarks.append(f"widths from {widths[next_one]:g} µs on are left out: {why[next_one]}")
    return widths[starts[best] : ends[best]], remarks
