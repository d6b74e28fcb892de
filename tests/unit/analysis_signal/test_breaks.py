"""A recording that lost samples: what was struck outside is placed as if nothing had been lost."""

from __future__ import annotations

import numpy as np
import pytest
from test_timeline import take

from analysis.marker_fit import fit_markers

RATE_HZ = 96_000


def cut(edges, codes, losses):
    """Edges of a recording that lost frames: (at frame, truly lost, told); gaps as told."""
    edges, codes = edges.copy(), codes.copy()
    gaps, shift = [], 0.0
    out, kept = [], []
    bounds = [0.0, *(at + lost for at, lost, _ in losses)]
    ends = [*(at for at, _, _ in losses), np.inf]
    for place, (low, high) in enumerate(zip(bounds, ends, strict=True)):
        if place:
            at, lost, told = losses[place - 1]
            if told is not None:
                gaps.append((round(at + shift), told))
            shift += (told or 0) - lost
        inside = (edges >= low) & (edges < high)
        out.append(edges[inside] + shift)
        kept.append(codes[inside])
    return np.concatenate(out), np.concatenate(kept), gaps


def recorded_frames(true_frames, losses):
    """Where true frames stand in the recording; NaN for those lost."""
    out = true_frames.astype(float).copy()
    for at, lost, told in losses:
        out[true_frames >= at + lost] += (told or 0) - lost
        out[(true_frames >= at) & (true_frames < at + lost)] = np.nan
    return out


def unsure(line, t_s):
    """Which times lie in stretches that the line does not vouch for."""
    bad = np.zeros(len(t_s), dtype=bool)
    for low, high in line.unsure_s:
        bad |= (t_s >= low) & (t_s <= high)
    return bad


@pytest.mark.parametrize(
    "losses",
    [
        [(3e6, 4096, 4096)],  # counted rightly
        [(3e6, 4096, 4100)],  # four frames too many, less than the matching would notice
        [(3e6, 4096, 1)],  # its length is unknown
        [(3e6, 500_000, 20)],
        [(2e6, 4096, 9000), (4e6, 100, 4000), (4.2e6, 48_000, 47_000)],
        [(1e5 + 300_000, 4096, 4500)],  # early
    ],
)
def test_gaps_of_any_told_length(losses):
    """Strokes outside are within half a sample; those inside fall into the gap that was told."""
    rng = np.random.default_rng(len(losses))
    ticks, codes, edges, edge_codes, frames = take(rng, hours=0.02, ppm=-60.0)
    cut_edges, cut_codes, gaps = cut(edges, edge_codes, losses)
    line = fit_markers(cut_edges, ticks, RATE_HZ, cut_codes, codes, gaps)
    true = recorded_frames(frames(ticks), losses)
    got = line.t_s(ticks) * RATE_HZ
    known = np.isfinite(true)
    assert np.abs(got - true)[known].max() < 0.5
    assert not line.unsure_s
    for frame in got[~known]:
        assert any(first <= frame + 0.5 and frame <= first + told + 0.5 for first, told in gaps)


@pytest.mark.parametrize("lost", [60, 4096, 200_000])
def test_a_loss_that_nobody_told_of(lost):
    """Nothing is placed wrongly: what can't be placed is said to be unsure."""
    rng = np.random.default_rng(lost)
    ticks, codes, edges, edge_codes, frames = take(rng, hours=0.02, ppm=30.0)
    losses = [(3e6, lost, None)]
    cut_edges, cut_codes, _ = cut(edges, edge_codes, losses)
    line = fit_markers(cut_edges, ticks, RATE_HZ, cut_codes, codes)
    true = recorded_frames(frames(ticks), losses)
    got = line.t_s(ticks)
    bad = unsure(line, got)
    wrong = ~(np.abs(got * RATE_HZ - true) < 0.5)
    assert bad[wrong].all()
    assert bad.mean() < 0.1 + lost / frames(ticks[-1])
    assert len(line.unsure_s) == 1


def test_markers_that_stop_leave_the_rest_unsure():
    """A marker cable that comes off: strokes after the last marker are not vouched for."""
    rng = np.random.default_rng(4)
    ticks, codes, edges, edge_codes, frames = take(rng, hours=0.02, lost=0, false=0)
    end = frames(ticks[int(0.9 * len(ticks))])
    kept = edges <= end + 1
    line = fit_markers(edges[kept], ticks, RATE_HZ, edge_codes[kept], codes)
    late = frames(ticks) > end + 1
    assert unsure(line, line.t_s(ticks))[late].all()
    assert not unsure(line, line.t_s(ticks))[~late][:-1].any()
