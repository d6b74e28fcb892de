"""Decisions: only a proven figure passes, and every other end is told apart."""

import math

import pandas as pd
import pytest

from analysis.counts import stray_rate
from analysis.decide import decide, decide_all, overall
from analysis.measure import Measure
from analysis.report.page import rule_words
from rig.record.protocol import Limit

NAN = math.nan


def limit(bound: str = "at_most", value: float = 9.0, unit: str = "ms", **more: object) -> Limit:
    """A limit on the median latency."""
    return Limit(measure="latency_median", bound=bound, value=value, unit=unit, **more)


def measure(value: float, low: float, high: float, **more: object) -> Measure:
    """A median latency with its interval."""
    facts: dict = {"name": "latency_median", "unit": "ms", "count": 100}
    return Measure(value=value, low=low, high=high, **(facts | more))


@pytest.mark.parametrize(
    ("bound", "interval", "verdict"),
    [
        ("at_most", (8.0, 7.5, 8.5), "pass"),
        ("at_most", (9.0, 8.5, 9.0), "pass"),
        ("at_most", (8.9, 8.5, 9.2), "undecided"),
        ("at_most", (9.1, 8.5, 9.5), "undecided"),
        ("at_most", (10.0, 9.1, 11.0), "fail"),
        ("at_least", (10.0, 9.1, 11.0), "pass"),
        ("at_least", (8.0, 7.5, 8.5), "fail"),
        ("at_least", (9.0, 8.5, 9.5), "undecided"),
        ("at_most", (NAN, NAN, NAN), "undecided"),
        ("at_most", (8.0, NAN, NAN), "undecided"),
        ("at_most", (8.0, 7.5, math.inf), "undecided"),
    ],
)
def test_guarded_rule_looks_at_the_whole_interval(bound, interval, verdict):
    """Wholly inside passes, wholly outside fails, across is undecided; NaN never passes."""
    assert decide(limit(bound), measure(*interval)).verdict == verdict


@pytest.mark.parametrize("rule", ["simple", "shared_risk"])
@pytest.mark.parametrize(("value", "verdict"), [(8.9, "pass"), (9.1, "fail"), (NAN, "undecided")])
def test_value_decides_where_the_rule_says_so(rule, value, verdict):
    """Simple and shared risk look at the value; the second says the risk."""
    found = decide(limit(), measure(value, 8.0, 10.0), rule=rule)
    assert found.verdict == verdict
    assert (rule == "shared_risk" and verdict != "undecided") == ("Risk" in found.reason)


def test_too_few_strokes_are_undecided_and_say_how_many_more():
    """Below the least number nothing passes, however good the figure looks."""
    found = decide(limit(least_strokes=150), measure(1.0, 0.9, 1.1))
    assert (found.verdict, found.further_strokes) == ("undecided", 50)


@pytest.mark.parametrize(
    ("status", "verdict"), [("incomplete", "incomplete"), ("failed", "invalid")]
)
def test_a_run_that_did_not_end_well_decides_nothing(status, verdict):
    """However good the figures are."""
    assert decide(limit(), measure(1.0, 0.9, 1.1), run_status=status).verdict == verdict


def test_no_measure_is_undecided():
    """A limit on what the run doesn't measure is not met by silence."""
    assert decide(limit(), None).verdict == "undecided"


def test_unit_of_another_kind_is_invalid_and_us_are_turned_into_ms():
    """9000 µs are 9 ms; a limit in dB on a time is a fault of the protocol."""
    assert decide(limit(value=9000.0, unit="us"), measure(8, 7, 8.9)).verdict == "pass"
    assert decide(limit(unit="db"), measure(8, 7, 8.9)).verdict == "invalid"


def test_only_unusable_strokes_are_invalid():
    """Where lost audio took all strokes the bench is at fault, not the specimen."""
    found = decide(limit(), measure(NAN, NAN, NAN, count=0, excluded={"audio was lost": 4}))
    assert found.verdict == "invalid"


def test_at_least_passes_only_what_is_proven():
    """A rate of "at least 30, proven for 28" meets 25, not 29; a limit above is undecided."""
    rate = Measure(
        name="resolvable_rate_95", unit="per_s", value=30.0, low=28.0, high=NAN, count=99,
        bench_limited=True,
    )  # fmt: skip

    def asked(value: float) -> str:
        wanted = Limit(measure="resolvable_rate_95", bound="at_least", value=value, unit="per_s")
        return decide(wanted, rate).verdict

    assert [asked(25.0), asked(29.0), asked(40.0)] == ["pass", "undecided", "undecided"]


def test_further_strokes_are_enough_to_decide():
    """A share of 0 in 40 against 5 %: with the strokes it asks for, 0 lost would pass.

    Exact bound: 1 - 0.025^(1/n) <= 0.05 from n = 72 on (Clopper-Pearson, arithmetic).
    """
    share = Measure(
        name="lost_share", unit="percent", value=0.0, low=0.0, high=8.81, count=40,
        details={"hits": 0},
    )  # fmt: skip
    wanted = Limit(measure="lost_share", bound="at_most", value=5.0, unit="percent")
    found = decide(wanted, share)
    assert found.verdict == "undecided"
    assert found.further_strokes == 72 - 40


def test_the_further_strokes_told_are_never_too_few():
    """0 of 30 against 2 %: 1 - 0.025^(1/n) <= 0.02 from n = 183 on (Clopper-Pearson, arithmetic)."""
    share = Measure(name="lost_share", unit="percent", value=0.0, low=0.0, high=11.57, count=30)
    found = decide(Limit(measure="lost_share", bound="at_most", value=2.0, unit="percent"), share)
    assert found.further_strokes == 183 - 30
    assert "About 160 further strokes" in found.reason


@pytest.mark.parametrize("bound", [300.0, 60.0])
def test_a_stray_rate_asks_for_time(bound):
    """No event in T hours: the upper bound is 3.689 / T (Garwood; chi-square 0.975 of 2, halved)."""
    notes = pd.DataFrame({"note_t_s": [], "role": []})
    rate = stray_rate(notes, [(0.0, 5.0)])
    found = decide(Limit(measure="stray_rate", bound="at_most", value=bound, unit="per_h"), rate)
    assert found.further_strokes is not None
    wanted_s = 3.689 / bound * 3600 - 5
    assert wanted_s <= found.further_strokes <= 1.06 * (wanted_s + 5)
    assert "further seconds would decide" in found.reason


def test_the_worst_verdict_stands_for_the_run():
    """Fail outranks undecided, undecided outranks pass; no limits give no verdict."""
    good, bad, unsure = measure(1, 0.9, 1.1), measure(20, 19, 21), measure(9, 8, 10)

    def of(*measures: Measure) -> str | None:
        return overall([decide(limit(), one) for one in measures])

    assert of(good) == "pass"
    assert of(good, unsure) == "undecided"
    assert of(good, unsure, bad) == "fail"
    assert of() is None


def test_each_limit_gets_the_measure_of_its_stage():
    """A limit on a stage is not met by the whole run's figure."""
    measures = [measure(1, 0.9, 1.1), measure(20, 19, 21, stage="hard")]
    found = decide_all([limit(), limit(stage="hard"), limit(stage="soft")], measures)
    assert [one.verdict for one in found] == ["pass", "fail", "undecided"]


@pytest.mark.parametrize(
    ("doubles", "strokes", "verdict"),
    [(0, 35, "undecided"), (0, 100, "pass"), (8, 60, "fail"), (2, 80, "undecided")],
)
def test_a_limit_with_a_good_share_is_decided_by_walds_test(doubles, strokes, verdict):
    """1 % against 8 % at 5 % risks: both boundaries by Wald 1945, ln(19) in log likelihood ratio."""
    wanted = Limit(
        measure="double_share", bound="at_most", value=8.0, unit="percent", stage="s", good=1.0
    )
    share = 100 * doubles / strokes
    found = decide(
        wanted,
        Measure(name="double_share", unit="percent", value=share, low=0, high=99, count=strokes),
    )
    ratio = doubles * math.log(8) + (strokes - doubles) * math.log(0.92 / 0.99)
    assert (ratio <= -math.log(19)) == (verdict == "pass")
    assert (ratio >= math.log(19)) == (verdict == "fail")
    assert found.verdict == verdict
    assert "Wald" in found.reason
    assert (found.further_strokes is not None) == (verdict == "undecided")


def test_the_rule_is_told_and_limits_of_another_by_name():
    """A limit with a good share is excepted by its name and stage; alone, it is the whole rule."""
    wald = Limit(
        measure="double_share", bound="at_most", value=8.0, unit="percent", stage="s", good=1.0
    )
    assert rule_words([limit()], "guarded").endswith("the whole interval lies inside it")
    both = rule_words([limit(), wald], "guarded")
    assert both.startswith("guarded: ")
    assert "But double share of stage s by Wald's sequential test of 1 % against 8 %" in both
    assert "guarded" not in rule_words([wald], "guarded")
    assert "simple" in rule_words([], "simple")


def test_an_undecided_level_of_a_searched_stage_says_what_to_do():
    """A search ends itself: no strokes to add are told, but to strike the stage without it."""
    gap = measure(8.9, 7.0, 12.0, name="flam_gap_95", stage="flams")
    asked = Limit(measure="flam_gap_95", bound="at_most", value=9, unit="ms", stage="flams")
    plain = decide_all([asked], [gap])[0]
    assert plain.further_strokes
    told = decide_all([asked], [gap], searched={"flams"})[0]
    assert told.verdict == "undecided"
    assert told.further_strokes is None
    assert "further strokes" not in told.reason
    assert "without its precision" in told.reason
    sure = measure(5.0, 4.0, 6.0, name="flam_gap_95", stage="flams")
    assert decide_all([asked], [sure], searched={"flams"}) == decide_all([asked], [sure])
