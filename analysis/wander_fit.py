"""A line through pairs of times of two clocks, with a spline on it that follows their wander."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.interpolate import BSpline, make_lsq_spline

from analysis.clock_noise import clock_noise
from analysis.timeline import TimeLine

Floats = npt.NDArray[np.float64]

KNOTS_S = (20.0, 10.0, 5.0)
"""One free point so often follows the clocks' wander, which is slow between two crystals (common
practice); the next where the residuals show that it is faster."""
KNOT_EVENTS = 16
LEAST_WANDER_FRAMES = 0.05
"""What a marker may be off by its place between two samples; less of wander is not told from it."""


def fit_wander(x: Floats, y: Floats, sent: int, found: int, sample_rate_hz: float) -> TimeLine:
    """Fit markers with free points as close as the residuals ask for; else as ``fit_line``.

    Parameters
    ----------
    x, y
        (n,) seconds of the controller's and of the audio clock, of events that belong together.
    sent, found
        How many there were on either side.
    sample_rate_hz
        Of the recording.
    """
    line = fit_line(x, y, sent, found, "markers", KNOTS_S[0])
    for knot_s in KNOTS_S[1:]:
        left_s = line.noise.unfollowed_s if line.noise is not None else 0.0
        if left_s * sample_rate_hz <= LEAST_WANDER_FRAMES:
            break
        closer = fit_line(x, y, sent, found, "markers", knot_s)
        if closer.noise is None or not closer.noise.unfollowed_s < left_s:
            break
        line = closer
    return line


def fit_line(
    source: Floats, target: Floats, sent: int, found: int, method: str, knot_s: float = np.nan
) -> TimeLine:
    """Straight line, and a spline on it where there is enough to carry one; outliers go.

    Parameters
    ----------
    source, target
        (n,) seconds of the controller's and of the audio clock, n at least 1.
    sent, found
        How many there were on either side.
    method
        As of the time line; only markers carry a spline.
    knot_s
        Spacing of its free points; NaN: none.
    """
    middle = float(source.mean())
    x, y = source - middle, target - middle
    keep = np.ones(len(x), dtype=bool)
    least = 2e-6 if method == "markers" else 2e-4
    slope, offset, wander, freedom = 1.0, 0.0, None, 2
    flat = rest = np.zeros(len(x))
    for _ in range(4):
        slope, offset = (
            np.polyfit(x[keep], y[keep], 1) if np.ptp(x[keep]) > 0 else (1.0, float(y.mean()))
        )
        flat = y - slope * x - offset
        wander = _wander(x[keep], flat[keep], knot_s) if method == "markers" else None
        freedom = 2 if wander is None else len(wander.c)
        rest = flat - (0.0 if wander is None else np.asarray(wander(x)))
        spread = 1.4826 * float(np.median(np.abs(rest[keep])))
        good = np.abs(rest) <= max(5.0 * spread, least)
        if (good == keep).all():
            break
        keep = good
    used = int(keep.sum())
    sd = float(np.sqrt((rest[keep] ** 2).sum() / max(used - freedom, 1)))
    noise = clock_noise(x[keep], flat[keep], rest[keep], sd) if method == "markers" else None
    return TimeLine(
        ppm=(float(slope) - 1.0) * 1e6,
        residual_sd_us=sd * 1e6,
        used=used,
        lost=sent - used,
        extra=found - used,
        method=method,
        middle_s=middle,
        slope=float(slope),
        offset_s=float(offset),
        wander=wander,
        at_s=x[keep],
        freedom=freedom,
        noise=noise,
        knot_s=knot_s if wander is not None else np.nan,
    )


def _wander(x: Floats, flat: Floats, knot_s: float) -> BSpline | None:
    """Cubic spline through what a line leaves, its knots set by time and by count."""
    if len(x) < 4 * KNOT_EVENTS or np.ptp(x) < 3 * knot_s:
        return None
    knots = []
    last, k = 0, KNOT_EVENTS
    while k < len(x) - KNOT_EVENTS:
        if k - last >= KNOT_EVENTS and x[k] - x[last] >= knot_s:
            knots.append(0.5 * (x[k] + x[k - 1]))
            last = k
        k += 1
    ends = np.repeat([x[0], x[-1]], 4).reshape(2, 4)
    return make_lsq_spline(x, flat, np.concatenate([ends[0], knots, ends[1]]), k=3)
