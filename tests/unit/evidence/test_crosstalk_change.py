"""Crosstalk of two builds on made strokes: what is told, what is a bound, what is left out."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from analysis.change import change_of, strokes_needed
from analysis.compare import ComparisonError, compare
from analysis.crosstalk import levels
from analysis.crosstalk_change import of_crosstalk
from analysis.detector import Envelopes
from analysis.waveforms import Waveforms

RATE_HZ = 20_000.0
ONSET = 100


def sounds(peak: np.ndarray, force_n: np.ndarray, *, noise: float) -> Waveforms:
    """Strokes that fall to 1/e in 10 ms, over steady noise."""
    t = np.arange(-ONSET, 1000)[None, :] / RATE_HZ
    wave = np.where(t >= 0, np.exp(-np.maximum(t, 0) / 0.010), 0.0)
    level = np.clip(peak[:, None] * wave + noise, 0.0, 1.0).astype(np.float32)
    strokes = pd.DataFrame(
        {"stroke": np.arange(peak.size), "striker": "A", "own_s": 0.2, "quiet_s": 0.2}
    )
    made = Envelopes(level=level, rate_hz=RATE_HZ, onset=ONSET, force_n=force_n)
    return Waveforms(
        strokes=strokes, envelopes=made, silence=np.zeros(0, np.float32), sample_rate_hz=RATE_HZ
    )


def build(db: float, *, most_db: float | None = None, seed: int = 1) -> pd.DataFrame:
    """A stroke table of crosstalk at a level; ``most_db``: under the noise, but no more than that."""
    rng = np.random.default_rng(seed)
    count = 40
    level = db + rng.normal(0, 0.5, count)
    return pd.DataFrame(
        {
            "stage": "ladder", "striker": "A", "force_n": np.resize([5.0, 20.0], count),
            "strike": np.arange(count), "valid": True, "outcome": "clean",
            "latency_s": rng.normal(0.004, 1e-4, count), "velocity": 60.0,
            "crosstalk_db": np.full(count, np.nan) if most_db is not None else level,
            "crosstalk_u_db": 0.0,
            "crosstalk_most_db": level if most_db is None else most_db,
        }
    )  # fmt: skip


def test_what_noise_hides_or_a_sensor_clips_is_not_told() -> None:
    """The soft level drowns and has a bound alone; a hard stroke that clips has nothing."""
    force_n = np.repeat([5.0, 20.0], 4)
    peak = np.array([0.02] * 4 + [0.5, 0.5, 0.5, 1.2])
    found = levels(
        sounds(peak, force_n, noise=1e-6), sounds(0.1 * np.minimum(peak, 1.0), force_n, noise=3e-3)
    )
    assert found["crosstalk_db"][:4].isna().all()
    # ten times less, and the noise on top: 0.1 * 0.02 + 0.003 over 0.02
    assert list(found["crosstalk_most_db"][:4]) == pytest.approx(
        [20 * math.log10(0.25)] * 4, abs=0.01
    )
    assert list(found["crosstalk_db"][4:7]) == pytest.approx([-20.0] * 3, abs=0.3)
    # GUM (JCGM 100) 4.3.7: a rectangle of that width has its standard uncertainty over root 12
    raised_db = 20 * math.log10(0.053 / 0.05)
    assert list(found["crosstalk_u_db"][4:7]) == pytest.approx(
        [raised_db / math.sqrt(12)] * 3, abs=1e-3
    )
    assert math.isnan(found["crosstalk_db"][7])
    assert math.isnan(found["crosstalk_most_db"][7])


def test_one_side_under_the_noise_gives_a_bound() -> None:
    """Heard now and not before: it rose at least from the noise; the other way round it fell."""
    rose = of_crosstalk(build(-40, most_db=-32.0), build(-20, seed=2)).difference
    assert rose.value == pytest.approx(12.0, abs=0.3)
    assert (rose.high, rose.p_less) == (math.inf, 1.0)
    assert rose.p_more < 1e-6
    assert not rose.within(100.0)
    fell = of_crosstalk(build(-20), build(-40, most_db=-32.0)).difference
    assert fell.value == pytest.approx(-12.0, abs=0.3)
    assert (fell.low, fell.p_more) == (-math.inf, 1.0)
    # heard before with less than what the noise leaves open now: nothing is shown
    open_ = of_crosstalk(build(-40), build(-50, most_db=-32.0)).difference
    assert open_.p_more == 1.0
    assert math.isnan(
        of_crosstalk(build(-40, most_db=-32), build(-40, most_db=-32)).difference.value
    )


def test_no_strokes_are_asked_for_that_noise_makes_useless() -> None:
    """u of 1 dB on each side: 1.645 * 1.41 dB is more than 2 dB, however many are struck.

    Of 0.8 dB: 1.645 * 1.13 dB leaves 0.14 dB to deviations of 0.5 dB, so that of normal values
    2 ((1.645 + 1.282) * 0.5 / 0.139)^2 = 222 a side are enough; more by what pilots of 40 may take
    a deviation to be too small (chi-square 0.2 of 39: a quarter more) and by what ranks lose.
    """
    for u_db, asked in ((1.0, 0), (0.8, 222)):
        found = []
        for seed in range(10):
            sides = [build(-20, seed=2 * seed + k).assign(crosstalk_u_db=u_db) for k in (0, 1)]
            change = change_of("crosstalk_level", *sides, 0.95, 1)
            found.append(strokes_needed(change, 2.0, 0.05, 0.8))
        assert asked <= np.mean(found) <= 1.6 * asked


def test_noise_that_both_sides_share_widens_the_difference() -> None:
    """u of 0.3 dB on each side: half widths no less than 1.96 * 0.42 dB, and weaker tests."""
    bare = of_crosstalk(build(-20), build(-19, seed=2)).difference
    sides = [side.assign(crosstalk_u_db=0.3) for side in (build(-20), build(-19, seed=2))]
    wide = of_crosstalk(*sides).difference
    extra = 1.9600 * math.hypot(0.3, 0.3)
    assert wide.high - wide.value == pytest.approx(
        math.hypot(bare.high - bare.value, extra), rel=1e-4
    )
    assert bare.p_more < wide.p_more < 0.05
    assert "noise" in wide.method
    quiet = build(-40, most_db=-32.0)
    bound = of_crosstalk(quiet, build(-20, seed=2)).difference
    lower = of_crosstalk(quiet, build(-20, seed=2).assign(crosstalk_u_db=0.3)).difference
    assert lower.value - lower.low == pytest.approx(
        math.hypot(bound.value - bound.low, 1.9600 * 0.3), rel=1e-4
    )


def test_crosstalk_is_compared_where_both_runs_hold_it() -> None:
    """Else it is left out, with the reason if one of them does; asked for by name it is refused."""
    before, after = build(-20), build(-16, seed=2)
    found = {one.name: one for one in compare(before, after).measures}
    assert found["crosstalk_level"].verdict == "worse"
    assert found["crosstalk_level"].unit == "db"
    assert "crosstalk_share" not in found
    crossed = [side.assign(crossed=share) for side, share in ((before, False), (after, True))]
    found = {one.name: one for one in compare(*crossed).measures}
    assert (found["crosstalk_share"].before, found["crosstalk_share"].after) == (0.0, 100.0)
    assert found["crosstalk_share"].verdict == "worse"
    pooled = [pd.concat([side, build(-20, seed=3)], ignore_index=True) for side in crossed]
    share = compare(*pooled, measures=["crosstalk_share"]).measures[0]
    assert (share.before, share.after, share.count_before) == (0.0, 100.0, 40)

    bare = before.drop(columns=["crosstalk_db", "crosstalk_u_db", "crosstalk_most_db"])
    assert "no channel of role second_zone" in compare(bare, after).left_out[0]
    assert compare(bare, bare).left_out == ()
    quiet = build(-40, most_db=-32.0)
    assert "stand out of the other zone's noise" in compare(quiet, quiet).left_out[0]
    for one, other, why in ((bare, after, "second_zone"), (quiet, quiet, "noise")):
        with pytest.raises(ComparisonError, match=f"crosstalk_level can't be compared.*{why}"):
            compare(one, other, measures=["crosstalk_level"])


def test_no_stroke_that_rings_out_alone_tells_nothing() -> None:
    """A run of rolls has no level, and no error."""
    crowded = sounds(np.full(3, 0.2), np.full(3, 5.0), noise=1e-4)
    none = crowded.subset(np.zeros(3, dtype=bool))
    found = levels(none, none)
    assert found.empty
    assert set(found) == {"crosstalk_db", "crosstalk_u_db", "crosstalk_most_db"}
    table = build(-20).drop(columns=list(found)).join(found)
    assert "crosstalk_level" in compare(table, table).left_out[0].replace(" ", "_")
