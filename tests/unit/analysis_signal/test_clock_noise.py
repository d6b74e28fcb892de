"""The residuals of a time line: scatter of the edges, and the clocks' wander, by averaging time."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from test_timeline import take

from analysis.marker_fit import fit_markers

EDGE_S = 0.02 / 96_000
"""Scatter of a marker's edge, as planted by ``take``."""
RATE, PERIOD_S = 1.5e-6, 900.0
"""Its wander: the rate swings so far, so often."""


@pytest.fixture(scope="module", params=[-100.0, 0.0, 100.0])
def hour(request):
    """An hour of markers, 1 % lost and 1 % false; the line, and how far off each stroke is."""
    ppm = request.param
    rng = np.random.default_rng(int(ppm) + 700)
    ticks, codes, edges, edge_codes, frames = take(rng, hours=1.0, ppm=ppm)
    line = fit_markers(edges, ticks, 96_000, edge_codes, codes)
    # strokes land between markers too
    strokes = ticks[:-1] + (rng.uniform(0, 1, len(ticks) - 1) * np.diff(ticks)).astype(np.int64)
    return line, line.t_s(strokes) * 96_000 - frames(strokes)


def test_every_stroke_of_the_hour_within_half_a_sample(hour):
    """±100 ppm with slow wander, 1 % of markers lost and 1 % false; strokes at any place."""
    _, error = hour
    assert len(error) > 10_000
    assert np.abs(error).max() < 0.5
    assert np.sqrt((error**2).mean()) < 0.01


def test_residuals_scatter_as_the_planted_edges_do(hour):
    """Allan deviation sqrt(3) sd / tau at each time, slope -1 (SP 1065, white phase noise)."""
    line, _ = hour
    noise = line.noise
    assert noise.known
    assert noise.tau_s[0] < 0.2
    assert noise.tau_s[-1] > 800
    assert noise.residuals == pytest.approx(np.sqrt(3) * EDGE_S / noise.tau_s, rel=0.06)
    assert noise.slope == pytest.approx(-1.0, abs=0.02)
    assert noise.white
    assert noise.unfollowed_s == 0.0
    # means over less than the free points' spacing: as many edges as are in it
    short = noise.tau_s < 0.4 * line.knot_s
    assert noise.left_s[short] == pytest.approx(noise.edges_left_s[short], rel=0.1)


def test_the_clocks_wander_as_planted(hour):
    """A rate that swings: RATE sin^2(x) / x with x = pi tau / PERIOD (IEEE 1139, from memory)."""
    noise = hour[0].noise
    x = np.pi * noise.tau_s / PERIOD_S
    planted = RATE * np.sin(x) ** 2 / x
    long = (noise.tau_s > 20) & (noise.tau_s < 500)
    assert noise.wander[long] == pytest.approx(planted[long], rel=0.05)
    assert noise.wander[noise.tau_s < 3].max() == 0.0
    assert "wander by 1 ppm against each other" in noise.sentence()
    assert "no more than the scatter of single edges" in noise.sentence()


def test_uncertainty_away_from_a_marker_holds_the_wander_that_was_seen(hour):
    """Six minutes on, the clocks' own wander counts; close by, the usual floor."""
    line, _ = hour
    last = line.at_s[-1] + line.middle_s
    ticks = (last + np.array([1.0, 400.0])) * 2e6
    near, far = line.u_s(ticks)
    assert near == pytest.approx(0.2e-6, rel=0.05)
    assert far == pytest.approx(400 * 1e-6, rel=0.1)


def wandering(period_s, rate):
    """A quarter of an hour of markers of two clocks, one of which swings."""
    rng = np.random.default_rng(9)
    ticks = np.round(np.cumsum(rng.uniform(0.1, 0.4, 3600)) * 2e6).astype(np.int64)
    s = ticks / 2e6
    swing_s = rate * period_s / (2 * np.pi) * np.sin(2 * np.pi * s / period_s)
    edges = (s + swing_s + 1.0) * 96_000 + rng.normal(0, 0.02, len(s))
    return fit_markers(edges, ticks, 96_000), ticks, s + swing_s + 1.0


def test_free_points_stand_closer_where_the_clocks_wander_faster():
    """Slow wander keeps 20 s; a swing of 40 s needs 10 s or less, and is then followed."""
    assert wandering(600.0, 1e-6)[0].knot_s == 20.0
    line, ticks, truth_s = wandering(40.0, 3e-6)
    assert line.knot_s < 20.0
    assert np.abs(line.t_s(ticks) - truth_s).max() * 96_000 < 0.1


def test_wander_too_fast_to_follow_is_told_and_makes_times_less_sure():
    """A swing of 4 s: no free points are so close; the uncertainty is that of what is left."""
    line, ticks, truth_s = wandering(4.0, 4e-6)
    assert not line.noise.white
    assert "faster than the line follows" in line.noise.sentence()
    off_s = np.sqrt(((line.t_s(ticks) - truth_s) ** 2).mean())
    assert off_s > 1e-6
    assert np.median(line.u_s(ticks)) > 0.5 * off_s


def test_what_rounding_leaves_is_no_wander():
    """Edges without any scatter: nothing is left, and nothing is said to wander."""
    ticks = np.arange(1, 400) * 500_000 + np.arange(1, 400) ** 2
    line = fit_markers(ticks * 0.048 * (1 + 5e-5), ticks, 96_000)
    assert line.noise.white
    assert line.noise.unfollowed_s == 0.0


def test_few_markers_tell_nothing():
    """A burst of twenty: a line, and no word on the clocks."""
    rng = np.random.default_rng(4)
    ticks = np.round(np.cumsum(rng.uniform(0.1, 0.4, 20)) * 2e6).astype(np.int64)
    line = fit_markers(ticks * 0.048 + rng.normal(0, 0.02, 20), ticks, 96_000)
    assert not line.noise.known
    assert line.noise.sentence() == ""
    record = line.record()
    assert record["allan"] == []
    assert record["white"] is None
    assert dataclasses.replace(line, noise=None).u_s(ticks).max() < 1e-6
