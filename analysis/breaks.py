"""Where a recording's clock jumps: at samples that were lost, counted wrongly or not at all.

Each stretch between two jumps is matched by itself; the size of a jump comes from the markers to
either side of it.
"""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import numpy.typing as npt

from analysis.align import Pairs, align
from rig.record.bench_fault import BenchError

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

LEAST_PIECE = 4
"""Markers of a stretch that is matched by itself: a burst's preamble."""
LEAST_OF_PIECE = 0.5
"""Share of the markers between its first and last that must match."""
WINDOW_EVENTS, WINDOW_S = 40, 30.0
"""Markers to either side of a jump from which its size is taken."""
_EVENT_U_S, _RATE_U = 1e-6, 1e-6
"""Scatter of a marker, and by how much the rate there may differ from the rate of all."""


@dataclasses.dataclass(frozen=True)
class Jump:
    """A place at which the recording's clock jumps.

    Attributes
    ----------
    pair
        First matched pair after it.
    step_s
        By how much times after it are later than those before foretell.
    from_s
        Begin of the gap there, or the last marker before it, on the recording's clock.
    told
        The record tells of a gap there.
    sure_from_s
        Where several gaps lie with no marker matched between them, or none is told of: what lies
        between ``from_s`` and this can't be placed. Else ``from_s``.
    """

    pair: int
    step_s: float
    from_s: float
    told: bool
    sure_from_s: float


def match_in_pieces(
    sent_s: Floats,
    edges_s: Floats,
    codes: tuple[Ints, Ints] | tuple[None, None],
    tolerance_s: float,
) -> list[Pairs]:
    """Match markers to edges, stretch by stretch; at least one stretch, in order of time.

    Parameters
    ----------
    sent_s, edges_s
        Rising times on the two clocks.
    codes
        Kinds of each; only equal kinds match.
    tolerance_s
        Scatter of an edge about its place.

    Raises
    ------
    BenchError
        The largest stretch could be off by one.
    """

    def part(low: int, high: int, first: int, last: int) -> list[Pairs]:
        found = align(
            sent_s[low:high],
            edges_s[first:last],
            None if codes[0] is None else codes[0][low:high],
            None if codes[1] is None else codes[1][first:last],
            tolerance_s=tolerance_s,
        )
        return [Pairs(found.source + low, found.target + first)]

    def further(low: int, high: int, first: int, last: int) -> list[Pairs]:
        if min(high - low, last - first) < LEAST_PIECE:
            return []
        try:
            (found,) = part(low, high, first, last)
        except BenchError:
            return []
        count = len(found.source)
        if count < LEAST_PIECE or count < LEAST_OF_PIECE * np.ptp(found.source):
            return []
        return around(found, low, high, first, last)

    def around(found: Pairs, low: int, high: int, first: int, last: int) -> list[Pairs]:
        if not len(found.source):
            return [found]
        a, b = int(found.source[0]), int(found.source[-1]) + 1
        c, d = int(found.target[0]), int(found.target[-1]) + 1
        return [*further(low, a, first, c), found, *further(b, high, d, last)]

    (largest,) = part(0, len(sent_s), 0, len(edges_s))
    return around(largest, 0, len(sent_s), 0, len(edges_s))


def find_jumps(source_s: Floats, target_s: Floats, begins: Ints, gaps_s: Floats) -> list[Jump]:
    """Size the jumps between stretches, and at gaps inside a stretch.

    Parameters
    ----------
    source_s, target_s
        (n,) matched times on the two clocks.
    begins
        First pair of each stretch but the first.
    gaps_s
        (g,) begins of gaps that the record tells of, on the second clock.
    """
    at_gap: dict[int, list[float]] = {}
    for gap in np.sort(gaps_s).tolist():
        at_gap.setdefault(int(np.searchsorted(target_s, gap)), []).append(gap)
    places = sorted({int(k) for k in (*begins, *at_gap) if 0 < k < len(source_s)})
    edges = [0, *places, len(source_s)]
    rate = _rate_of_largest(source_s, target_s, edges)
    jumps = []
    for before, k, after in zip(edges[:-2], places, edges[2:], strict=True):
        left = np.arange(max(before, k - WINDOW_EVENTS), k)
        right = np.arange(k, min(after, k + WINDOW_EVENTS))
        left = left[source_s[k - 1] - source_s[left] <= WINDOW_S]
        right = right[source_s[right] - source_s[k] <= WINDOW_S]
        step = _step(source_s, target_s, left, right, rate)
        told = at_gap.get(k, [])
        from_s = told[0] if told else float(target_s[k - 1])
        sure_from_s = from_s if len(told) == 1 else float(target_s[k])
        jumps.append(Jump(k, step, from_s, bool(told), sure_from_s))
    return jumps


def _rate_of_largest(source_s: Floats, target_s: Floats, edges: list[int]) -> float:
    """Rate of the second clock over the first, of the stretch that lasts longest."""
    spans = [source_s[b - 1] - source_s[a] for a, b in itertools.pairwise(edges)]
    k = int(np.argmax(spans))
    a, b = edges[k], edges[k + 1]
    if spans[k] <= 0:
        return 1.0
    x = source_s[a:b] - source_s[a]
    return 1.0 + float(np.polyfit(x, target_s[a:b] - target_s[a] - x, 1)[0])


def _step(x_s: Floats, y_s: Floats, left: Ints, right: Ints, rate: float) -> float:
    """Step between two stretches of one line, whose rate is near one that is known.

    Least squares of offset, step and rate, each event to 1 us and the rate to 1 ppm.
    """
    x0, y0 = x_s[right[0]], y_s[right[0]]
    x = np.concatenate([x_s[left], x_s[right]]) - x0
    y = np.concatenate([y_s[left], y_s[right]]) - y0 - rate * x
    after = np.concatenate([np.zeros(len(left)), np.ones(len(right))])
    rows = np.column_stack([np.ones(len(x)), after, x]) / _EVENT_U_S
    rows = np.vstack([rows, [0.0, 0.0, 1.0 / _RATE_U]])
    found = np.linalg.lstsq(rows, np.append(y / _EVENT_U_S, 0.0), rcond=None)[0]
    # a single false edge must not move it
    rest = y - found[0] - found[1] * after - found[2] * x
    return float(found[1] + np.median(rest[after == 1]) - np.median(rest[after == 0]))
