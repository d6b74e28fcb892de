"""Fits the controller's clock to the audio clock by its markers."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import numpy.typing as npt

from analysis.align import Pairs
from analysis.breaks import find_jumps, match_in_pieces
from analysis.timeline import TimeLine
from analysis.wander_fit import fit_wander
from rig.record.bench_fault import BenchError
from rig.record.limits import TICKS_PER_S

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

MARKER_TOLERANCE_S = 50e-6
LEAST_MARKERS = 4
LEAST_SHARE = 0.8
"""Share of the markers sent that must be found."""
MOST_RESIDUAL_FRAMES = 0.5
UNSURE_MARKERS = 8
"""So many markers in a row that don't fit: nothing between them can be placed."""


def fit_markers(
    edge_frames: npt.ArrayLike,
    marker_ticks: npt.ArrayLike,
    sample_rate_hz: float,
    edge_codes: npt.ArrayLike | None = None,
    marker_codes: npt.ArrayLike | None = None,
    gaps: npt.ArrayLike | None = None,
) -> TimeLine:
    """Fit the controller's clock to the audio clock by its markers.

    Where samples were lost the line may jump: how long a gap truly is, the markers tell.

    Parameters
    ----------
    edge_frames
        (n,) leading edges in the recording.
    marker_ticks
        (m,) ticks at which markers were sent.
    sample_rate_hz
        Nominal rate of the recording.
    edge_codes, marker_codes
        Widths by code; only equal codes match.
    gaps
        (g, 2) first frame and number of frames of gaps that the record tells of.

    Returns
    -------
    TimeLine

    Raises
    ------
    BenchError
        Too few markers are found, they lie off the line, or the match could be off by one.
    """
    order = np.argsort(np.asarray(edge_frames, dtype=np.float64), kind="stable")
    edges_s = np.asarray(edge_frames, dtype=np.float64)[order] / sample_rate_hz
    sent = np.argsort(np.asarray(marker_ticks), kind="stable")
    ticks = np.asarray(marker_ticks)[sent]
    sent_s = ticks.astype(np.float64) / TICKS_PER_S
    codes: tuple[Ints, Ints] | tuple[None, None] = (None, None)
    if edge_codes is not None and marker_codes is not None:
        codes = (
            np.asarray(marker_codes, dtype=np.int64)[sent],
            np.asarray(edge_codes, dtype=np.int64)[order],
        )
    what = f"fitting {len(sent_s)} markers of the board to {len(edges_s)} edges in the recording"
    check = (
        "Check the marker cable and its divider, that the bench file names its channel, and its "
        "level (a tenth of full scale or more, not clipped)"
    )
    if len(sent_s) < LEAST_MARKERS or len(edges_s) < LEAST_MARKERS:
        raise BenchError(f"{what}: at least {LEAST_MARKERS} of each are needed. {check}")
    pieces = match_in_pieces(sent_s, edges_s, codes, MARKER_TOLERANCE_S)
    pairs = Pairs(
        np.concatenate([piece.source for piece in pieces]),
        np.concatenate([piece.target for piece in pieces]),
    )
    told_s = np.asarray([] if gaps is None else gaps, dtype=np.float64).reshape(-1, 2)
    told_s = told_s[np.argsort(told_s[:, 0], kind="stable")] / sample_rate_hz
    lengths = [len(piece.source) for piece in pieces]
    x, y = sent_s[pairs.source], edges_s[pairs.target]
    jumps = find_jumps(x, y, np.cumsum(lengths[:-1]), told_s[:, 0]) if len(x) else []
    in_gaps = _in_gaps(pairs, edges_s, told_s, len(sent_s))
    share = len(pairs.source) / max(len(sent_s) - in_gaps, 1)
    if len(pairs.source) < LEAST_MARKERS or share < LEAST_SHARE:
        raise BenchError(
            f"{what}: only {len(pairs.source)} match ({share:.0%}); at least {LEAST_SHARE:.0%} are "
            f"needed. {check}, and that no other program took samples from the interface"
        )
    steps = np.zeros(len(x))
    for jump in jumps:
        steps[jump.pair :] += jump.step_s
    line = fit_wander(x, y - steps, len(sent_s), len(edges_s), sample_rate_hz)
    line = line.with_jumps(jumps, x)
    if not line.residual_sd_us * 1e-6 * sample_rate_hz <= MOST_RESIDUAL_FRAMES:
        raise BenchError(
            f"{what}: they scatter by {line.residual_sd_us:.1f} µs about the line; at most "
            f"{MOST_RESIDUAL_FRAMES} samples "
            f"({MOST_RESIDUAL_FRAMES / sample_rate_hz * 1e6:.1f} µs) "
            f"are allowed. {check}, and that the interface runs on its own clock"
        )
    return dataclasses.replace(line, unsure_s=_unsure(line, sent_s, pairs, y, told_s))


def _in_gaps(pairs: Pairs, edges_s: Floats, told_s: Floats, sent: int) -> int:
    """Markers that weren't found because they fell into a gap that the record tells of."""
    found = 0
    for begin_s, _ in told_s:
        after = int(np.searchsorted(edges_s[pairs.target], begin_s))
        low = int(pairs.source[after - 1]) + 1 if after > 0 else 0
        high = int(pairs.source[after]) if after < len(pairs.source) else sent
        found += max(high - low, 0)
    return min(found, sent)


def _unsure(
    line: TimeLine, sent_s: Floats, pairs: Pairs, y: Floats, told_s: Floats
) -> tuple[tuple[float, float], ...]:
    """Stretches about jumps that the record does not tell of, and about markers that don't fit."""
    found = [
        (jump.from_s, jump.sure_from_s) for jump in line.jumps if jump.sure_from_s > jump.from_s
    ]
    off_s = np.abs(line.t_s(sent_s[pairs.source] * TICKS_PER_S) - y)
    fits = np.zeros(len(sent_s), dtype=bool)
    fits[pairs.source[off_s <= max(6e-6 * line.residual_sd_us, 5e-6)]] = True
    at_s = line.t_s(sent_s * TICKS_PER_S)
    good = np.flatnonzero(fits)
    bounds = [-1, *good.tolist(), len(sent_s)]
    for before, after in itertools.pairwise(bounds):
        if after - before - 1 < UNSURE_MARKERS:
            continue
        begin_s = float(at_s[before]) if before >= 0 else -np.inf
        end_s = float(at_s[after]) if after < len(sent_s) else np.inf
        between = at_s[before + 1 : after, None]
        lost = (between >= told_s[:, 0] - 1e-3) & (between <= told_s.sum(axis=1) + 1e-3)
        if (~lost.any(axis=1)).sum() >= UNSURE_MARKERS:
            found.append((begin_s, end_s))
    apart: list[tuple[float, float]] = []
    for begin_s, end_s in sorted(found):
        if apart and begin_s <= apart[-1][1]:
            apart[-1] = (apart[-1][0], max(apart[-1][1], end_s))
        else:
            apart.append((begin_s, end_s))
    return tuple(apart)
