"""Markers and time line: a known clock must come back, whatever is lost or added."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal

from analysis.align import align
from analysis.marker import find_markers
from analysis.marker_fit import fit_markers
from analysis.plan_fit import fit_onsets
from rig.record.bench_fault import BenchError

WIDTHS_US = (200.0, 400.0, 600.0, 800.0)


def pulses(at_frames, widths_us, rate_hz, frames, level=0.5):
    """Pulses as a converter records them: made 64 times finer, filtered to half the rate."""
    fine = 64
    out = np.zeros(frames)
    reach = 300
    for at, width in zip(at_frames, widths_us, strict=True):
        first = int(at) - 100
        t = first + np.arange(reach * fine) / fine
        # cells of the fine grid, each with the share of it that the pulse fills
        begin = np.clip((t + 1 / fine - at) * fine, 0, 1)
        end = np.clip((t + 1 / fine - at - width * 1e-6 * rate_hz) * fine, 0, 1)
        kernel = scipy.signal.firwin(64 * fine + 1, 0.9 / fine, window=("kaiser", 8.0))
        wave = np.convolve(begin - end, kernel)[32 * fine :]
        # a cell stands for its middle
        out[first + 1 : first + reach] += level * np.interp(
            np.arange(1, reach) - 0.5 / fine, np.arange(reach * fine) / fine, wave[: reach * fine]
        )
    return out


@pytest.mark.parametrize("rate_hz", [48_000, 96_000, 192_000])
def test_marker_edges_to_under_a_tenth_of_a_sample(rate_hz):
    """Edges at random fractions come back to 0.05 sample, with the code of each width."""
    rng = np.random.default_rng(1)
    at = np.arange(1, 60) * 1000 + rng.uniform(0, 1, 59)
    codes = rng.integers(0, 4, 59)
    x = pulses(at, np.array(WIDTHS_US)[codes], rate_hz, 62_000)
    x = x + rng.normal(0, 3e-4, len(x))
    edges = find_markers(x, rate_hz, WIDTHS_US)
    assert len(edges) == 59
    error = edges.frame - at
    assert np.abs(error - error.mean()).max() < 0.05
    assert abs(error.mean()) < 0.05
    assert edges.code.tolist() == codes.tolist()


def test_markers_upside_down_clipped_or_drooping_are_found():
    """A channel may invert, clip, or pass no direct voltage (20 Hz high-pass)."""
    rng = np.random.default_rng(2)
    at = np.arange(1, 40) * 1500 + rng.uniform(0, 1, 39)
    x = pulses(at, np.full(39, 400.0), 96_000, 62_000)
    high_pass = scipy.signal.butter(1, 20, "high", fs=96_000, output="sos")
    for made, most in (
        (-x, 0.1),
        (np.clip(3 * x, -1, 1), 0.3),  # half of a clipped height is not half of the height
        (scipy.signal.sosfilt(high_pass, x), 0.1),
    ):
        edges = find_markers(made + rng.normal(0, 1e-4, len(x)), 96_000, WIDTHS_US)
        assert len(edges) == 39
        assert np.ptp(edges.frame - at) < most
        assert set(edges.code) == {1}


def test_no_marker_in_noise_or_silence():
    """Empty, silent and noisy channels give none."""
    rng = np.random.default_rng(3)
    for x in (np.zeros(0), np.zeros(50_000), rng.normal(0, 0.02, 50_000), np.full(9000, np.nan)):
        assert len(find_markers(x, 96_000, WIDTHS_US)) == 0


def take(rng, hours=0.1, ppm=80.0, wander=True, rate_hz=96_000, lost=0.01, false=0.01):
    """(ticks sent, codes, edge frames, their codes, function ticks -> true frames)."""
    sent, codes = [], []
    t = 5.0
    while t < hours * 3600:
        for gap in (0.0, 0.011, 0.017, 0.029):
            t += gap
            sent.append(t)
            codes.append(3)
        t += 0.1
        count = int(rng.integers(20, 60))
        step = rng.choice([0.05, 0.1, 0.25])
        for k in range(count):
            sent.append(t + k * step)
            codes.append(k % 2)
        t += count * step + rng.uniform(1, 3)
    ticks = np.round(np.array(sent) * 2e6).astype(np.int64)

    def frames(some_ticks):
        s = np.asarray(some_ticks) / 2e6
        drift = 1.5e-6 * 900 / (2 * np.pi) * np.sin(2 * np.pi * s / 900) if wander else 0.0
        return (s * (1 + ppm * 1e-6) + drift + 2.345678) * rate_hz

    edges = frames(ticks) + rng.normal(0, 0.02, len(ticks))
    edge_codes = np.array(codes)
    keep = rng.uniform(size=len(edges)) > lost
    extra = rng.uniform(edges[0], edges[-1], int(false * len(edges)))
    all_edges = np.concatenate([edges[keep], extra])
    all_codes = np.concatenate([edge_codes[keep], rng.integers(0, 4, len(extra))])
    order = np.argsort(all_edges)
    return ticks, np.array(codes), all_edges[order], all_codes[order], frames


@pytest.mark.parametrize("ppm", [-100.0, 0.0, 100.0])
def test_an_hour_with_wander_and_lost_and_false_markers(ppm):
    """Every stroke within half a sample: ±100 ppm, slow wander, 1 % lost and 1 % false."""
    rng = np.random.default_rng(int(ppm) + 200)
    ticks, codes, edges, edge_codes, frames = take(rng, hours=1.0, ppm=ppm)
    line = fit_markers(edges, ticks, 96_000, edge_codes, codes)
    error = line.t_s(ticks) * 96_000 - frames(ticks)
    assert np.abs(error).max() < 0.5
    assert line.ppm == pytest.approx(ppm, abs=2)
    assert line.residual_sd_us < 1.0
    assert line.lost == pytest.approx(0.01 * len(ticks), abs=0.006 * len(ticks))


@pytest.mark.parametrize("missing", range(8))
def test_never_off_by_one_when_the_first_markers_are_lost(missing):
    """The recording may begin late: the preamble's irregular steps hold the match."""
    rng = np.random.default_rng(missing)
    ticks, codes, edges, edge_codes, frames = take(rng, hours=0.01, lost=0, false=0)
    line = fit_markers(edges[missing:], ticks, 96_000, edge_codes[missing:], codes)
    assert np.abs(line.t_s(ticks) * 96_000 - frames(ticks)).max() < 0.5
    assert (line.lost, line.extra) == (missing, 0)


def test_a_match_that_could_be_off_by_one_is_refused():
    """A steady train without preamble, its ends cut: no offset is better than the next."""
    ticks = np.arange(40) * 100_000
    with pytest.raises(BenchError, match="off by one"):
        fit_markers(np.arange(36) * 4800.0, ticks, 96_000)


def test_too_few_markers_are_refused_with_what_to_check():
    """A dead marker channel is a bench fault, never a time line."""
    with pytest.raises(BenchError, match="marker cable"):
        fit_markers([], np.arange(40) * 100_000, 96_000)
    rng = np.random.default_rng(5)
    ticks, codes, edges, edge_codes, _ = take(rng, hours=0.02, lost=0.5, false=0)
    with pytest.raises(BenchError, match="at least 80%"):
        fit_markers(edges, ticks, 96_000, edge_codes, codes)


def test_stated_uncertainty_grows_away_from_the_markers():
    """A minute after the last marker the clock may have wandered by microseconds."""
    rng = np.random.default_rng(6)
    ticks, codes, edges, edge_codes, _ = take(rng, hours=0.05)
    line = fit_markers(edges, ticks, 96_000, edge_codes, codes)
    at, late = line.u_s(ticks[-1]), line.u_s(ticks[-1] + 120_000_000)
    assert at < 1e-6 < 10e-6 < late


def test_a_plan_fitted_to_its_onsets_without_markers():
    """Offset and rate come from the onsets; a tenth lost and a twentieth false are borne."""
    rng = np.random.default_rng(7)
    planned_s = np.cumsum(rng.uniform(0.2, 0.3, 200))
    onset = planned_s * (1 + 60e-6) + 7.0 + 0.008 + rng.normal(0, 2e-4, 200)
    onset = onset[rng.uniform(size=200) > 0.1]
    onset = np.sort(np.concatenate([onset, rng.uniform(7, 55, 10)]))
    line = fit_onsets(onset, np.round(planned_s * 2e6))
    truth = planned_s * (1 + 60e-6) + 7.008
    assert np.abs(line.t_s(planned_s * 2e6) - truth).max() < 2e-4
    assert line.method == "onsets"
    assert line.residual_sd_us == pytest.approx(200, rel=0.3)


def test_empty_lists_match_nothing():
    """No event, no pair."""
    assert len(align(np.zeros(0), np.arange(3.0)).source) == 0


def _ladder(seed: int, count: int) -> tuple[np.ndarray, np.ndarray]:
    """(planned s, onsets s) of a ladder of four forces, whose flights differ by 11 ms."""
    rng = np.random.default_rng(seed)
    planned_s = np.cumsum(rng.uniform(0.24, 0.26, count))
    flight_s = rng.choice([0.0072, 0.010, 0.013, 0.0185], count)
    return planned_s, planned_s * (1 + 43e-6) + 5.0 + flight_s


def test_a_plan_of_unlike_forces_is_never_fitted_off_by_a_stroke():
    """Flights scatter nearly as the intervals do: it is refused, or each strike is at its place."""
    refused = 0
    for seed in range(20):
        planned_s, onset_s = _ladder(seed, 40)
        try:
            line = fit_onsets(onset_s, planned_s * 2e6)
        except BenchError:
            refused += 1
            continue
        flight_s = onset_s - line.t_s(planned_s * 2e6)
        assert np.ptp(flight_s) < 0.016  # 11 ms, and what the slope is off; 30 ms off by a stroke
    assert refused <= 2


def test_the_plan_of_another_run_is_refused():
    """Its intervals are alike, but not the same."""
    for seed in range(20):
        planned_s, _ = _ladder(seed, 40)
        _, onset_s = _ladder(seed + 100, 40)
        with pytest.raises(BenchError):
            fit_onsets(onset_s, planned_s * 2e6)
