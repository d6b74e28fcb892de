"""Trade-offs between settings: what can't be bettered in one way without harm in another."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from analysis.detector import Envelopes, known
from analysis.sweep import sweep
from rig.record.specimen import Settings

SOFTER_DB = 12.0
"""A ghost note after an accent: how much softer the second stroke is, for the recovery front."""
ALIKE_DB = 1.0
"""Two strokes meant alike: how much softer the second may come out."""


def non_dominated(costs: ArrayLike) -> NDArray[np.bool_]:
    """Tell which rows no other row betters in one cost without being worse in any.

    Parameters
    ----------
    costs
        Shape (choices, costs), less is better. A row with NaN is never chosen.
    """
    table = np.asarray(costs, dtype=float)
    if table.size == 0:
        return np.zeros(len(table), dtype=bool)
    good = np.asarray(np.isfinite(table).all(axis=1))
    chosen: NDArray[np.bool_] = good.copy()
    for row in np.flatnonzero(good):
        others = table[good]
        better = (others <= table[row]).all(axis=1) & (others < table[row]).any(axis=1)
        chosen[row] = not better.any()
    return chosen


def recovery_gap_ms(dead_time_ms: float, release_ms: float, softer_db: float) -> float:
    """Least gap after which a second stroke that is so much softer passes the re-arming level."""
    return dead_time_ms + release_ms * softer_db * math.log(10.0) / 20.0


@dataclasses.dataclass(frozen=True, kw_only=True)
class Front:
    """Trade-offs of one set of strokes.

    Attributes
    ----------
    windows
        One row a peak window: peak_window_ms, latency_ms (onset to the window's end), spread_db,
        chosen (on the front), today, advised.
    recoveries
        One row a pair of dead time and release: dead_time_ms, release_ms, doubled_share,
        gap_alike_ms, gap_softer_ms, chosen, today, advised.
    """

    windows: pd.DataFrame
    recoveries: pd.DataFrame


def _with(grid: NDArray[np.float64], *values: float | None) -> NDArray[np.float64]:
    extra = [value for value in values if value is not None and math.isfinite(value)]
    return np.unique(np.concatenate([grid, extra]))


def front(strokes: Envelopes, advised: Settings, today: Settings) -> Front:
    """Lay out the trade-offs about the advised settings; today's are marked where known.

    Latency against spread of the level over the peak window; doubles against the gap that a second
    stroke needs, alike or ``SOFTER_DB`` softer, over dead time and release.
    """
    a = known(advised)
    windows_ms = _with(np.arange(0.5, 6.01, 0.25), a.peak_window_ms, today.peak_window_ms)
    least_ms = math.ceil(a.peak_window_ms or 0.0)
    deads_ms = _with(np.arange(least_ms, 30.1, 1.0), a.dead_time_ms, today.dead_time_ms)
    releases_ms = _with(np.geomspace(2.0, 60.0, 12), a.release_ms, today.release_ms)
    gain_db = a.gain_db or 0.0
    by_window = sweep(
        strokes, threshold_percent=a.threshold_percent or 0.0, peak_window_ms=windows_ms,
        dead_time_ms=a.dead_time_ms or 0.0, release_ms=a.release_ms or 0.0, gain_db=gain_db,
    )  # fmt: skip
    windows = pd.DataFrame(
        {
            "peak_window_ms": windows_ms,
            "latency_ms": by_window.latency_ms[0],
            "spread_db": by_window.spread_db[0],
        }
    )
    # spreads that differ by less than can be heard or measured count as one
    costs = np.column_stack([windows["latency_ms"], windows["spread_db"].round(2)])
    windows["chosen"] = non_dominated(costs)
    windows["today"] = windows["peak_window_ms"] == today.peak_window_ms
    windows["advised"] = windows["peak_window_ms"] == a.peak_window_ms
    by_dead = sweep(
        strokes, threshold_percent=a.threshold_percent or 0.0,
        peak_window_ms=a.peak_window_ms or 0.0, dead_time_ms=deads_ms, release_ms=releases_ms,
        gain_db=gain_db,
    )  # fmt: skip
    dead, release = (axis.ravel() for axis in np.meshgrid(deads_ms, releases_ms, indexing="ij"))
    blind = np.maximum(dead, a.peak_window_ms or 0.0)
    per_db = release * math.log(10.0) / 20.0
    recoveries = pd.DataFrame(
        {
            "dead_time_ms": dead,
            "release_ms": release,
            "doubled_share": by_dead.doubled_share[0, 0].ravel(),
            "gap_alike_ms": blind + per_db * ALIKE_DB,
            "gap_softer_ms": blind + per_db * SOFTER_DB,
        }
    )
    # where two settings catch a softer stroke as soon, that for one alike hardly differs
    recoveries["chosen"] = non_dominated(
        recoveries[["doubled_share", "gap_softer_ms"]].round({"doubled_share": 2})
    )
    for name, settings in (("today", today), ("advised", a)):
        recoveries[name] = (recoveries["dead_time_ms"] == settings.dead_time_ms) & (
            recoveries["release_ms"] == settings.release_ms
        )
    return Front(windows=windows, recoveries=recoveries)
