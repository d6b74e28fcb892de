"""Latency, counts and the record of all measures."""

import itertools
import json
import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from stroke_tables import notes as notes_of
from stroke_tables import strokes as singles

from analysis.counts import count_measures, crosstalk_share, stray_rate
from analysis.latency import latency_measures
from analysis.measures import measure_all, stage_spans, to_json
from rig.record.bench_fault import BenchError


def by_name(measures):
    """Measures by their names."""
    return {one.name: one for one in measures}


def test_quantiles_and_moments_are_those_of_scipy():
    """Median, mean and sd over 200 strokes agree with numpy and with Student's interval (scipy)."""
    latency_s = np.random.default_rng(3).gamma(4.0, 1e-3, 200)
    found = by_name(latency_measures(singles(200, latency_s=latency_s), systematic_u_s=0.0))
    ms = latency_s * 1e3
    assert found["latency_median"].value == pytest.approx(np.median(ms))
    assert found["latency_mean"].value == pytest.approx(ms.mean())
    assert found["latency_sd"].value == pytest.approx(ms.std(ddof=1))
    expected = stats.ttest_1samp(ms, 0).confidence_interval(0.95)
    assert (found["latency_mean"].low, found["latency_mean"].high) == pytest.approx(expected)
    assert found["latency_worst"].value == ms.max()
    assert found["latency_median"].count == 200


def test_invalid_and_lost_strokes_are_left_out_with_their_reasons():
    """What is not measured is counted, by reason."""
    table = singles(10)
    table.loc[0, ["valid", "excluded_because", "outcome"]] = [False, "audio was lost", "invalid"]
    table.loc[1, "outcome"] = "lost"
    table.loc[2, "outcome"] = "no_contact"
    median = by_name(latency_measures(table))["latency_median"]
    assert median.count == 7
    assert sorted(median.excluded.values()) == [1, 1, 1]
    assert "audio was lost" in median.excluded


def test_nothing_measured_is_nan_and_not_zero():
    """An empty table gives NaN everywhere, with a count of 0."""
    for measure in latency_measures(singles(0)) + count_measures(singles(0)):
        assert math.isnan(measure.value)
        assert measure.count == 0


def test_shared_timing_uncertainty_widens_the_interval():
    """A systematic 0.1 ms adds to the half width in quadrature (GUM; k = 1.96, from memory)."""
    latency_s = np.random.default_rng(5).normal(5e-3, 2e-4, 100)
    narrow, wide = (
        by_name(latency_measures(singles(100, latency_s=latency_s), systematic_u_s=u))
        for u in (0.0, 1e-4)
    )
    half = narrow["latency_mean"].high - narrow["latency_mean"].value
    wider = wide["latency_mean"].high - wide["latency_mean"].value
    assert wider == pytest.approx(math.hypot(half, 1.959964 * 0.1), rel=1e-3)


def test_shares_count_strokes_and_not_notes():
    """Three lost and two doubled strokes of twenty are 15 % and 10 %."""
    table = singles(20)
    table.loc[:2, "outcome"] = "lost"
    table.loc[5:6, "outcome"] = "double"
    table.loc[5:6, "double_delay_s"] = [0.010, 0.012]
    found = by_name(count_measures(table))
    assert found["lost_share"].value == pytest.approx(15.0)
    assert found["double_share"].value == pytest.approx(10.0)
    assert found["double_delay_median"].value == pytest.approx(11.0)
    assert found["double_delay_median"].details["delays_ms"] == pytest.approx([10.0, 12.0])


def test_strays_are_counted_over_the_time_observed():
    """Two strays in half an hour are four an hour; one outside the time observed is told."""
    notes = notes_of(*[(10.0, "stray", -1), (20.0, "stray", -1), (5000.0, "stray", -1)])
    found = stray_rate(notes, [(0.0, 1800.0)])
    assert found.value == pytest.approx(4.0)
    assert sum(found.excluded.values()) == 1


def test_crosstalk_is_a_share_of_strokes():
    """Two notes of another zone for one stroke are one stroke of ten."""
    notes = notes_of(*[(0.01, "crosstalk", 0), (0.02, "crosstalk", 0), (0.3, "first", 1)])
    assert crosstalk_share(singles(10), notes).value == pytest.approx(10.0)


def test_spans_of_stages_do_not_overlap():
    """Time observed adds up to no more than what passed, unexplained onsets or not."""
    table = singles(40)
    table["stage"] = ["one"] * 20 + ["two"] * 20
    table["burst"] = [0] * 20 + [1] * 20
    odd = table.iloc[[3, 30]].assign(strike=-1, stage="", burst=-1)
    both = pd.concat([table, odd], ignore_index=True)
    spans = sorted(span for stage in stage_spans(both).values() for span in stage)
    assert len(spans) == 2
    assert all(end <= begin for (_, end), (begin, _) in itertools.pairwise(spans))


def test_record_is_plain_json():
    """NaN becomes null; every measure keeps its name, unit, method and count."""
    table = singles(30)
    notes = notes_of(*[(float(t), "first", i) for i, t in enumerate(table["note_t_s"])])
    measures = measure_all(table, notes)
    text = json.dumps(to_json(measures), allow_nan=False)
    record = json.loads(text)
    assert len(record["measures"]) == len(measures)
    assert all(one["method"] or one["count"] == 0 for one in record["measures"])


def test_missing_columns_are_named():
    """A table that isn't a stroke table is refused with what it lacks."""
    with pytest.raises(BenchError, match="latency_s"):
        measure_all(singles(3).drop(columns="latency_s"), notes_of())
