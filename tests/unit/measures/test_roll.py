"""Rolls through detectors of a known rule: the comb, Poisson trains, and what the bench limits."""

from __future__ import annotations

import math

import numpy as np
import pytest
from stroke_tables import rolls, steady_rolls, strokes

from analysis.roll import comb, resolvable_rates

RATES = [8.0, 12, 16, 18, 19, 20, 21, 22, 24, 30, 40]


def _of(measures, name):
    return next(measure for measure in measures if measure.name == name)


@pytest.mark.parametrize("dead_time_ms", [46.0, 50.0, 52.5])
def test_fixed_dead_time_gives_its_inverse(dead_time_ms):
    """The resolvable rate is 1 / dead time, within 0.5 strokes/s on a grid of 1 to 2 strokes/s."""
    table = steady_rolls(RATES, dead_time_s=dead_time_ms / 1e3)
    found = _of(resolvable_rates(table), "resolvable_rate_95")
    assert found.value == pytest.approx(1e3 / dead_time_ms, abs=0.5)
    assert found.low <= 1e3 / dead_time_ms <= found.high
    assert found.details["gap_since"] == "note"
    assert found.excluded == {"first stroke of its roll: nothing before it": 2 * len(RATES)}


def test_comb_of_a_fixed_dead_time_is_known_again():
    """A steady roll keeps 1 / ceil(rate * dead time): 50 ms at 20, 25, 40 Hz: 1, 1/2, 1/2;

    60 ms at 16, 20, 40 Hz: 1, 1/2, 1/3. Derived from the counting of events with dead time.
    """  # noqa: D400, D415
    point = {"strokes": 6, "kept": 3}
    for dead_time_s, expected in ((0.05, {20: 1, 25: 1 / 2, 40: 1 / 2}), (0.06, {16: 1, 20: 1 / 2, 40: 1 / 3})):  # fmt: skip
        points = [{**point, "rate_per_s": rate} for rate in expected]
        assert comb(points, dead_time_s)["expected"] == pytest.approx(list(expected.values()))
    table = steady_rolls([8, 12, 16, 20, 25, 30, 40], dead_time_s=0.055)
    found = _of(resolvable_rates(table), "resolvable_rate_95")
    assert found.details["comb"]["fits"]
    assert "comb" in found.note


def test_comb_is_not_seen_where_losses_are_scattered():
    """Losses that no dead time explains are no comb."""
    rng = np.random.default_rng(4)
    table = steady_rolls([8, 16, 24, 32, 40], dead_time_s=1e-3)
    lost = rng.random(len(table)) < np.clip((table["rate_per_s"] - 16) / 30, 0, 1)
    found = _of(
        resolvable_rates(table.assign(outcome=np.where(lost, "lost", "clean"))),
        "resolvable_rate_95",
    )
    assert not found.details.get("comb", {"fits": False})["fits"]
    assert found.value < 24


def _poisson(rate_per_s: float, dead_time_s: float, *, extending: bool):
    rng = np.random.default_rng(0)
    gaps = [rng.exponential(1 / rate_per_s, 400) for _ in range(10)]
    return rolls(gaps, [rate_per_s] * 10, dead_time_s=dead_time_s, extending=extending)


@pytest.mark.parametrize(
    ("rate_per_s", "counted", "extending"),
    [
        (1.0, 98.0392 / 100, False), (10.0, 833.333 / 1000, False), (50.0, 2500.0 / 5000, False),
        (1.0, 98.0199 / 100, True), (10.0, 818.731 / 1000, True), (50.0, 1839.40 / 5000, True),
    ],
)  # fmt: skip
def test_poisson_trains_keep_what_event_counting_says(rate_per_s, counted, extending):
    """Kept share 1 / (1 + n tau), or exp(-n tau) if each stroke starts the dead time anew.

    Knoll, Radiation Detection and Measurement, ch. 4 (from memory); scaled from n = 100, 1000 and
    5000/s at tau = 200 us to strokes: 1, 10 and 50/s at 20 ms, the same n tau. The most that an
    extending dead time lets through, 1 / (e tau), is the last of them. The dead time comes back out
    of the gaps, the right one of the two models is named, and for the first of them
    n = m / (1 - m tau) leads back to the rate struck.
    """
    table = _poisson(rate_per_s, 0.02, extending=extending)
    kept = float((table["outcome"] == "clean").mean())
    assert kept == pytest.approx(counted, abs=4 * math.sqrt(counted * (1 - counted) / len(table)))
    found = _of(resolvable_rates(table), "resolvable_rate_95")
    assert found.details["gap_since"] == ("stroke" if extending else "note")
    assert found.details["dead_time_ms"] == pytest.approx(20, abs=0.1)
    assert found.value == pytest.approx(50, abs=0.5)
    if not extending:
        spans = table.groupby("group")["onset_t_s"].agg(np.ptp)
        noted_per_s = kept * len(table) / float(spans.sum())
        back = noted_per_s / (1 - noted_per_s * found.details["dead_time_ms"] / 1e3)
        assert back == pytest.approx(len(table) / float(spans.sum()), rel=0.01)


def test_extending_dead_time_silences_a_steady_roll():
    """Each stroke starts 50 ms anew: beyond 20/s only a roll's first one sounds (derived)."""
    found = _of(resolvable_rates(steady_rolls(RATES, dead_time_s=0.05, extending=True)), "resolvable_rate_95")  # fmt: skip
    assert found.details["gap_since"] == "stroke"
    assert found.value == pytest.approx(20, abs=0.5)
    for point in found.details["points"]:
        if point["rate_per_s"] != 20:
            assert point["kept"] == (2 if point["rate_per_s"] > 20 else point["strokes"])


def _by_two_sources(first: float, second: float, both: float) -> float:
    """Dead time in s from the rates of two sources alone and together (Knoll, from memory)."""
    root = math.sqrt(first * second * (both - first) * (both - second))
    return (first * second - root) / (first * second * both)


def test_dead_time_is_that_of_two_sources():
    """The dead time out of the gaps is the one that the two-source method counts, within 1.5 ms.

    833.333/s each alone and 1428.571/s together are 200.0 us, and 171.4 us in the first order
    (Knoll, ch. 4, from memory); struck at 10/s each and 20 ms, the same n tau. Drawn again and
    again, the counts' figure varies by 0.45 ms; the first order's lies a seventh too low.
    """
    assert _by_two_sources(833.3333, 833.3333, 1428.5714) * 1e6 == pytest.approx(200.0, abs=0.05)
    rng = np.random.default_rng(6)
    first, second = (np.cumsum(rng.exponential(1 / 10, 4000)) for _ in range(2))
    end = min(first[-1], second[-1])
    trains = (first, second, np.sort(np.concatenate([first, second])))
    tables = [rolls([np.diff(at[at <= end])], [10.0], dead_time_s=0.02) for at in trains]
    rates = [float((table["outcome"] == "clean").sum()) / end for table in tables]
    found_ms = _of(resolvable_rates(tables[2]), "resolvable_rate_95").details["dead_time_ms"]
    assert found_ms == pytest.approx(1e3 * _by_two_sources(*rates), abs=1.5)
    lost_per_s = rates[0] + rates[1] - rates[2]
    low_ms = 1e3 * lost_per_s / (2 * rates[0] * rates[1])
    assert low_ms / found_ms == pytest.approx(171.4 / 200.0, abs=0.06)


def test_bracket_is_covered_where_the_rates_are_coarse():
    """All clean at 16/s, every other lost at 20/s: the estimate lies between, the interval covers."""
    found = _of(resolvable_rates(steady_rolls([8, 12, 16, 20, 24], dead_time_s=0.06)), "resolvable_rate_95")  # fmt: skip
    assert 16 < found.value < 20
    assert found.low <= 16.05
    assert found.high >= 19.6


def test_all_clean_is_at_least_the_fastest_rate():
    """Nothing lost up to 40/s: at least 40, limited by the bench, and proven for fewer."""
    found = _of(resolvable_rates(steady_rolls(RATES, dead_time_s=1e-3)), "resolvable_rate_95")
    assert found.bench_limited
    assert found.value == pytest.approx(40, abs=0.3)
    assert 20 < found.low < 40
    assert math.isnan(found.high)


def test_random_losses_leave_no_rate_at_99_percent():
    """A module that loses one stroke in ten at any rate has no resolvable rate."""
    found = resolvable_rates(steady_rolls(RATES, dead_time_s=0.05, lapse=0.1, repeats=4))
    assert all(math.isnan(measure.value) for measure in found)
    assert all(measure.high < 20 for measure in found)


def test_strokes_after_an_invalid_one_are_left_out_until_the_next_note():
    """What an invalid stroke did to the module isn't known, so the gap after it isn't either."""
    table = steady_rolls([10.0], dead_time_s=0.15, repeats=1, jitter_s=0.0)
    table.loc[4, ["valid", "excluded_because", "outcome"]] = [False, "audio lost", "invalid"]
    found = resolvable_rates(table)[0]
    assert found.excluded["audio lost"] == 1
    assert found.excluded["what came before it in its roll is not known"] == 2
    assert not {4, 5, 6} & set(found.rows)
    assert 7 in found.rows


def test_no_rolls_give_nan():
    """Without rolls, and without strokes, both rates are NaN with no strokes behind them."""
    for table in (strokes(0), strokes(5)):
        assert [(math.isnan(m.value), m.count) for m in resolvable_rates(table)] == [(True, 0)] * 2


@pytest.mark.long
def test_interval_of_the_rate_covers_a_soft_threshold():
    """400 runs of a module with a soft threshold: the 95 % interval covers in 93 to 98 %."""
    rng = np.random.default_rng(8)
    rates = np.repeat([10.0, 14, 17, 19, 21, 23, 26, 30], 60)
    caught = 0
    for _ in range(400):
        place = np.tile(np.arange(60), 8)
        at = np.cumsum(np.where(place == 0, 1.0, 1 / rates))
        chance = 1 / (1 + np.exp(12 * np.log(rates / 22.0)))
        hit = (rng.random(rates.size) < chance) | (place == 0)
        table = strokes(
            rates.size, pattern="roll", group=np.repeat(np.arange(8), 60), place=place,
            rate_per_s=rates, onset_t_s=at, drive_t_s=at, outcome=np.where(hit, "clean", "lost"),
        )  # fmt: skip
        found = _of(resolvable_rates(table), "resolvable_rate_95")
        truth = 22.0 * math.exp(-math.log(19) / 12)
        caught += not (found.low > truth or found.high < truth)
    assert 0.93 < caught / 400 < 0.98
