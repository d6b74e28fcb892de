"""Second strokes of pairs whose note comes far later than that of a stroke alone.

Such a note counts as caught, but it was not the stroke's own begin that set it off: the module was
not armed yet then, and triggered on what rang on, as on a late peak.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd

from analysis.flam import flam_pairs

LATER_MS = 3.0
"""Later than nearly all strokes alone by so much: more than a module's loop differs."""
_NEARLY_ALL = 0.98
LEAST_ALONE = 10
"""Strokes struck alone, or first of a pair, without which it is not known what is usual."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class LateSeconds:
    """How many of the second strokes caught are late; median latencies, of them and of others."""

    late: int
    caught: int
    late_ms: float
    usual_ms: float


def late_seconds(strokes: pd.DataFrame) -> LateSeconds | None:
    """Count late notes of second strokes.

    Parameters
    ----------
    strokes
        The stroke table. What is usual is told by strokes that none stands before: single ones and
        the first of each pair.

    Returns
    -------
    LateSeconds or None
        None where none is late, or it is not known what is usual.
    """
    pairs = flam_pairs(strokes).rows
    latency_ms = 1e3 * pairs.loc[pairs["caught"], "latency_s"].to_numpy(dtype=float)
    latency_ms = latency_ms[np.isfinite(latency_ms)]
    alone = (strokes["pattern"] == "single") | (
        (strokes["pattern"] == "flam") & (strokes["place"] == 0)
    )
    usual_ms = 1e3 * strokes.loc[alone & strokes["valid"], "latency_s"].to_numpy(dtype=float)
    usual_ms = usual_ms[np.isfinite(usual_ms)]
    if usual_ms.size < LEAST_ALONE:
        return None
    late = latency_ms > np.quantile(usual_ms, _NEARLY_ALL) + LATER_MS
    if not late.any():
        return None
    return LateSeconds(
        late=int(late.sum()),
        caught=latency_ms.size,
        late_ms=float(np.median(latency_ms[late])),
        usual_ms=float(np.median(usual_ms)),
    )
