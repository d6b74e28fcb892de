"""The sensor's figures with their intervals, against made sounds whose figures are known."""

import math

import numpy as np
import pandas as pd
import pytest

from analysis import sensor_facts
from analysis.detector import Envelopes
from analysis.sensor import noise
from analysis.waveforms import Waveforms
from rig.record.specimen import Settings

RATE_HZ = 20_000.0
ONSET = 100


def run(force_n: np.ndarray, peak: np.ndarray, *, alone: bool = True) -> Waveforms:
    """Strokes that fall to 1/e in 10 ms, with a second peak 9 ms after the onset."""
    t = np.arange(-ONSET, 3000)[None, :] / RATE_HZ
    wave = np.where(t >= 0, np.exp(-np.maximum(t, 0) / 0.010), 0.0)
    wave = wave + np.exp(-(((t - 0.009) / 0.0004) ** 2))
    level = np.minimum(peak[:, None] * wave, 1.0).astype(np.float32)
    strokes = pd.DataFrame(
        {
            "stroke": np.arange(len(force_n)),
            "force_n": force_n,
            "own_s": np.full(len(force_n), 0.2 if alone else 0.01),
            "quiet_s": 0.3,
        }
    )
    return Waveforms(
        strokes=strokes,
        envelopes=Envelopes(level=level, rate_hz=RATE_HZ, onset=ONSET, force_n=force_n),
        silence=np.zeros(0, dtype=np.float32),
        sample_rate_hz=RATE_HZ,
    )


def by_name(facts: list[sensor_facts.Fact]) -> dict[str, sensor_facts.Fact]:
    """Facts by what they are of."""
    return {fact.what: fact for fact in facts}


def test_noise_percentiles_hold_those_of_normal_noise() -> None:
    """Of normal noise the magnitude's percentiles are 0.674, 1.960, 2.576 and 3.291 sigma."""
    x = np.random.default_rng(1).normal(0.0, 1e-3, 480_000)
    found = sensor_facts.noise_facts(x, noise(x, 48_000))
    for fact, sigmas in zip(found, (0.6745, 1.9600, 2.5758, 3.2905), strict=True):
        truth = 20 * math.log10(sigmas * 1e-3)
        assert fact.value == pytest.approx(truth, abs=0.15)
        assert fact.low < fact.value < fact.high
        assert fact.high - fact.low < 0.5


def test_peaks_decay_and_clipping_are_told() -> None:
    """Times of first and highest peak, late peaks, decay (ISO 3382, from memory), clipped share."""
    force_n = np.repeat([5.0, 20.0], 10)
    peak = np.where(force_n > 10, 1.2, 0.3) * np.linspace(0.99, 1.01, 20)
    found = by_name(sensor_facts.stroke_facts(run(force_n, peak)))
    assert found["clipped in the recording"].value == pytest.approx(50.0)
    clipped = found["clipped in the recording"]
    # Clopper and Pearson, 10 of 20: 27.2 to 72.8 % (tables)
    assert (clipped.low, clipped.high) == pytest.approx((27.2, 72.8), abs=0.1)
    assert found["first peak after the onset"].value == pytest.approx(0.0, abs=0.1)
    late = found["strokes that pass half their first peak again later"]
    assert late.value == 100.0
    assert found["last time above half the first peak"].value == pytest.approx(9.3, abs=0.6)
    tau = found["decay to 1/e"]
    assert found["decay by 60 dB"].value == pytest.approx(
        tau.value * math.log(1000) / 1e3, rel=0.01
    )
    assert tau.low <= tau.value <= tau.high


def test_each_force_has_its_level_and_spread() -> None:
    """Mean level, spread and head room are those of the strokes; the intervals hold them."""
    rng = np.random.default_rng(2)
    force_n = np.repeat([5.0, 20.0], 40)
    peak = np.where(force_n > 10, 0.5, 0.1) * 10 ** (rng.normal(0, 0.5, 80) / 20)
    table = sensor_facts.force_table(run(force_n, peak))
    assert list(table["force_n"]) == [5.0, 20.0]
    second = table.iloc[1]
    # the second peak adds its 1 to the ringing's exp(-0.9)
    top = 20 * math.log10(0.5 * (1 + math.exp(-0.9)))
    assert second["level_low"] < top < second["level_high"]
    assert second["spread_low"] < 0.5 < second["spread_high"]
    assert second["least_head_room_db"] < -top


def test_hot_spots_stand_out_in_decibels() -> None:
    """A place 3 dB louder than another lies 1.5 dB above their mean, whatever the forces' counts."""
    rng = np.random.default_rng(3)
    places = {}
    for place, gain, counts in ((0.2, 1.0, (20, 5)), (0.7, 10 ** (3 / 20), (4, 16))):
        force_n = np.repeat([4.0, 12.0], counts)
        peak = force_n / 60 * gain * 10 ** (rng.normal(0, 0.1, force_n.size) / 20)
        places[place] = run(force_n, peak)
    found = sensor_facts.position_table(places)
    assert list(found["position"]) == [0.2, 0.7]
    assert found["db"].to_numpy() == pytest.approx([-1.5, 1.5], abs=0.15)
    assert (found["low"] < [-1.5, 1.5]).all()
    assert (found["high"] > [-1.5, 1.5]).all()
    assert sensor_facts.position_table({0.2: places[0.2]}).empty


def test_crosstalk_is_told_by_force() -> None:
    """The other zone's level against the struck one's, force by force, with its interval."""
    force_n = np.repeat([4.0, 12.0], 6)
    struck = run(force_n, force_n / 40 * np.linspace(0.98, 1.02, 12))
    other = run(force_n, force_n / 40 * np.where(force_n > 5, 0.1, 0.05))
    found = sensor_facts.crosstalk_table(struck, other)
    assert list(found["force_n"]) == [4.0, 12.0]
    assert found["db"].to_numpy() == pytest.approx([-26.0, -20.0], abs=0.2)
    assert (found["low"] < found["db"]).all()


def test_crosstalk_is_told_by_position() -> None:
    """Each place has its own ratio, whatever is struck how often; its interval holds it."""
    rng = np.random.default_rng(4)
    places = {}
    for place, share, counts in ((0.2, 0.05, (20, 6)), (0.8, 0.2, (5, 25))):
        force_n = np.repeat([4.0, 12.0], counts)
        struck = run(force_n, force_n / 60)
        other = run(force_n, share * force_n / 60 * 10 ** (rng.normal(0, 0.2, len(force_n)) / 20))
        places[place] = (struck, other)
    found = sensor_facts.crosstalk_positions(places)
    truth = 20 * np.log10([0.05, 0.2])
    assert list(found["position"]) == [0.2, 0.8]
    assert list(found["strokes"]) == [26, 30]
    assert found["db"].to_numpy() == pytest.approx(truth, abs=0.15)
    assert ((found["low"] < truth) & (truth < found["high"])).all()
    assert sensor_facts.crosstalk_positions({0.2: places[0.2]}).empty


def test_late_peaks_are_held_against_the_re_arming_level() -> None:
    """A release of 4 ms lets the ringing through until it drowns; one of 4 s the late peak alone.

    Ringing of 10 ms over a level that falls in 4 ms since d: the last that passes is where it falls
    to the threshold, at t = 10 ln(peak / threshold), and there d = t (1 - 4 / 10).
    """
    strokes = run(np.full(20, 5.0), np.linspace(0.2, 0.3, 20))
    fast, slow = (
        by_name(
            sensor_facts.stroke_facts(
                strokes,
                today=Settings(threshold_percent=1.0, peak_window_ms=1.0, release_ms=release_ms),
            )
        )
        for release_ms in (4.0, 4000.0)
    )
    share = "strokes that pass today's re-arming level later"
    assert (fast[share].value, slow[share].value) == (100.0, 100.0)
    until = "the last of them, after the trigger"
    assert fast[until].value == pytest.approx(0.6 * 10.0 * math.log(0.3 / 0.01), abs=0.06)
    assert slow[until].value == pytest.approx(9.0, abs=0.4)
    unknown = sensor_facts.stroke_facts(strokes, today=Settings(threshold_percent=1.0))
    assert share not in by_name(unknown)


def test_strokes_that_never_ring_out_tell_nothing() -> None:
    """Where no stroke is alone, there are no figures and no table, and no error."""
    crowded = run(np.full(5, 5.0), np.full(5, 0.3), alone=False)
    assert sensor_facts.stroke_facts(crowded) == []
    assert sensor_facts.force_table(crowded).empty
    assert sensor_facts.crosstalk_table(crowded, crowded).empty
