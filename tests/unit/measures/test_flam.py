"""Flams through a module with a known chance over the gap."""

from __future__ import annotations

import math

import numpy as np
import pytest
from stroke_tables import flams, strokes

from analysis.flam import flam_measures

GAPS_MS = [8.0, 10, 12, 14, 16, 18, 20, 22, 25, 30, 40]


def _by_name(table, **options):
    return {measure.name: measure for measure in flam_measures(table, **options)}


def test_gaps_at_half_and_at_95_percent_come_back():
    """The true gaps lie in the intervals, and the 50 % gap within a tenth of the estimate."""
    found = _by_name(flams(GAPS_MS, gap_50_ms=17.0, steepness=20.0, repeats=30))
    assert found["flam_gap_50"].value == pytest.approx(17.0, rel=0.1)
    assert found["flam_gap_50"].low < 17.0 < found["flam_gap_50"].high
    true_95 = 17.0 * math.exp(math.log(19) / 20)
    assert found["flam_gap_95"].low < true_95
    assert not found["flam_gap_95"].high < true_95


def test_measured_gap_counts_not_the_programmed_one():
    """Onsets 3 ms further apart than programmed move the gaps by 3 ms."""
    table = flams(GAPS_MS, gap_50_ms=17.0, steepness=60.0, repeats=20)
    later = table["onset_t_s"] + np.where(table["place"] == 1, 0.003, 0.0)
    moved = _by_name(table.assign(onset_t_s=later))["flam_gap_50"].value
    assert moved - _by_name(table)["flam_gap_50"].value == pytest.approx(3.0, abs=0.1)


def test_all_caught_is_at_most_the_shortest_gap():
    """Every second stroke caught: at most the shortest gap struck; the bound is proven by counts."""
    found = _by_name(flams(GAPS_MS, gap_50_ms=0.5, steepness=60.0))["flam_gap_95"]
    assert found.bench_limited
    assert "At most" in found.note
    assert found.value == pytest.approx(8.0, abs=1.0)
    assert found.value < found.high < 40
    assert math.isnan(found.low)


def test_none_caught_is_beyond_the_longest_gap():
    """No second stroke caught: no value, and a lower bound at the longest gap."""
    found = _by_name(flams(GAPS_MS, gap_50_ms=900.0, steepness=60.0))["flam_gap_50"]
    assert math.isnan(found.value)
    assert found.low == pytest.approx(40.0, abs=1.0)


def test_headline_is_of_equal_levels_and_the_map_holds_all():
    """With several level differences the gap is of the one nearest 0 dB; all stand in the map."""
    found = _by_name(flams(GAPS_MS, gap_50_ms=17.0, levels_db=(-6.0, 0.0, 6.0)))["flam_gap_50"]
    assert found.count == len(GAPS_MS) * 10
    levels = [part["level_difference_db"] for part in found.details["by_level_difference"]]
    assert levels == [-6.0, 0.0, 6.0]


def test_level_kept_falls_where_the_second_is_swallowed():
    """Second strokes that come 40 levels too soft at short gaps are not kept; the others are."""
    table = flams(GAPS_MS, gap_50_ms=0.5, levels_db=(6.0,))
    soft = (table["place"] == 1) & (table["gap_ms"] <= 12)
    found = _by_name(table.assign(velocity=table["velocity"] - 40 * soft))["flam_level_kept"]
    assert found.value == pytest.approx(100 * (len(GAPS_MS) - 3) / len(GAPS_MS), abs=2)
    assert _by_name(table)["flam_level_kept"].value > 95


def test_order_kept_counts_pairs_whose_notes_swapped():
    """Five pairs of fifty whose second note comes first leave 90 %."""
    table = flams([20.0, 30, 40, 50, 60], gap_50_ms=0.5)
    late = table.index[table["place"] == 1][:5]
    table.loc[late, "note_t_s"] -= 0.1
    found = _by_name(table)["flam_order_kept"]
    assert found.value == pytest.approx(90.0)
    assert found.low < 90.0 < found.high


def test_pairs_without_a_sound_first_stroke_are_left_out():
    """An invalid or lost first stroke takes its pair out, each with its reason."""
    table = flams([20.0, 30], gap_50_ms=0.5)
    table.loc[0, ["valid", "excluded_because"]] = [False, "clipped"]
    table.loc[2, ["outcome", "note_t_s", "velocity"]] = ["lost", np.nan, np.nan]
    found = _by_name(table)["flam_gap_50"]
    assert found.count == 18
    assert found.excluded == {
        "clipped": 1,
        "first stroke of the pair not usable": 1,
        "first stroke of the pair is lost": 1,
    }


def test_no_pairs_give_nan():
    """Without pairs every figure is NaN."""
    assert all(math.isnan(measure.value) for measure in flam_measures(strokes(3)))
