"""Rates of rare events before and after, and figures that a run has once."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from test_compare import drawn

from analysis.compare import ComparisonError, Figures, compare, refuse_senseless
from analysis.counts import stray_rate
from analysis.equivalence import newcombe
from analysis.limit_change import of_limits
from analysis.measure import Measure
from analysis.rate_change import of_rates, seconds_needed


def watched(events: int, seconds: float) -> Measure:
    """The stray rate of a run with so many strays in so many seconds."""
    notes = pd.DataFrame({"role": "stray", "note_t_s": np.linspace(1.0, 2.0, events)})
    return stray_rate(notes, [(0.0, seconds)])


def rate(value: float, half: float, **how: object) -> Measure:
    """A resolvable rate with its interval."""
    return Measure(
        name="resolvable_rate_95", unit="per_s", value=value, low=value - half, high=value + half,
        count=500, **how,  # type: ignore[arg-type]
    )  # fmt: skip


def test_two_rates_are_tested_exactly() -> None:
    """Seeds of a weed, none in a sample of 100 g before, 3 in one after (scipy's own example).

    Peers: scipy.stats.binomtest of those after among all; and poisson_means_test (Krishnamoorthy and
    Thomson 2004), which that page says is less conservative: p = 0.088 two-sided.
    """
    found = of_rates(0, 100.0, 3, 100.0)
    assert found.p_more == pytest.approx(stats.binomtest(3, 3, 0.5, "greater").pvalue)
    peer = stats.poisson_means_test(0, 100, 3, 100)
    assert peer.pvalue == pytest.approx(0.08837900929018157)
    assert 2.0 * found.p_more > peer.pvalue
    uneven = of_rates(7, 1.5, 4, 0.5)
    assert uneven.p_more == pytest.approx(stats.binomtest(4, 11, 0.25, "greater").pvalue)
    assert uneven.p_less == pytest.approx(stats.binomtest(4, 11, 0.25, "less").pvalue)
    assert math.isnan(of_rates(0, 0.0, 1, 1.0).low)


def test_interval_is_that_of_shares_of_which_each_is_small() -> None:
    """Newcombe's interval of a million trials an hour each is the same to 0.01 %."""
    found = of_rates(2, 1.0, 9, 1.5)
    low, high = newcombe(2, 1_000_000, 9, 1_500_000)
    assert found.low == pytest.approx(float(low) * 1e6, rel=1e-4)
    assert found.high == pytest.approx(float(high) * 1e6, rel=1e-4)


def test_the_time_asked_for_decides() -> None:
    """Of a build with one stray a minute more, and one with none more, 85 % or more are told."""
    rng = np.random.default_rng(51)
    seconds = seconds_needed(0, (100.0, 100.0), 60.0, 0.05 / 7, 0.9)
    assert 100 < seconds < 3600
    hours = seconds / 3600.0
    worse = [of_rates(0, hours, int(rng.poisson(60.0 * hours)), hours) for _ in range(400)]
    assert np.mean([one.p_more <= 0.05 / 7 for one in worse]) > 0.85
    assert of_rates(0, hours, 0, hours).within(60.0)
    assert seconds_needed(0, (0.0, 10.0), 60.0, 0.05, 0.9) == 0


def of_strays(before: Measure, after: Measure, **how: object) -> tuple[str, str, bool]:
    """Verdict over all, and on strays, of two runs that are else equal; whether it is left aside."""
    rng = np.random.default_rng(52)
    table = drawn(rng, 400)
    found = compare(table, table, figures=([[before]], [[after]]), **how)  # type: ignore[arg-type]
    one = next(one for one in found.measures if one.name == "stray_rate")
    return found.verdict, one.verdict, one.aside


def test_stray_notes_make_a_build_worse() -> None:
    """109 an hour more are; in a short run they are not overlooked; too short a time is said."""
    assert of_strays(watched(0, 900.0), watched(27, 900.0)) == ("worse", "worse", False)
    assert of_strays(watched(27, 900.0), watched(0, 900.0)) == ("better", "better", False)
    assert of_strays(watched(0, 900.0), watched(1, 900.0)) == ("equal", "equal", False)
    assert of_strays(watched(0, 164.0), watched(5, 164.0)) == ("undecided", "undecided", False)
    assert of_strays(watched(0, 60.0), watched(0, 60.0)) == ("equal", "undecided", True)
    asked = of_strays(watched(0, 60.0), watched(0, 60.0), margins={"stray_rate": 60.0})
    assert asked == ("undecided", "undecided", False)


def test_no_change_of_strays_is_seldom_worse() -> None:
    """Of 1,000 pairs at 12 an hour, listened to for uneven times, at most 5 % test as worse."""
    rng = np.random.default_rng(53)
    shown = [
        of_rates(int(rng.poisson(12.0 * a)), a, int(rng.poisson(12.0 * b)), b).p_more <= 0.05
        for a, b in rng.uniform(0.2, 3.0, (1000, 2))
    ]
    assert np.mean(shown) <= 0.05


def test_figures_that_runs_have_once_are_compared_by_both_intervals() -> None:
    """Half widths of 1 and 2 give one of √5; a lower rate is worse, a higher one better."""
    table = drawn(np.random.default_rng(54), 400)

    def judged(before: Measure, after: Measure) -> tuple[str, float, float]:
        found = compare(table, table, figures=([[before]], [[after]])).measures[-1]
        return found.verdict, found.low, found.high

    verdict, low, high = judged(rate(30.0, 1.0), rate(22.0, 2.0))
    assert verdict == "worse"
    assert (low, high) == pytest.approx((-8.0 - math.sqrt(5), -8.0 + math.sqrt(5)))
    assert judged(rate(22.0, 1.0), rate(30.0, 2.0))[0] == "better"
    assert judged(rate(30.0, 0.5), rate(30.1, 0.5))[0] == "equal"
    pooled = of_limits([rate(30.0, 2.0)] * 4, [rate(30.0, 2.0)] * 4, 0.95)
    assert not isinstance(pooled, str)
    assert pooled.difference.high == pytest.approx(math.sqrt(2))


def test_at_least_leaves_an_end_open() -> None:
    """A build that follows each rate struck is better by at least so much, and never equal."""
    limited = rate(40.0, 1.0, bench_limited=True, details={"direction": "at_least"})
    found = of_limits([rate(30.0, 1.0)], [limited], 0.95)
    assert not isinstance(found, str)
    assert found.difference.low == pytest.approx(10.0 - math.sqrt(2))
    assert found.difference.high == math.inf
    assert not found.difference.within(50.0)
    assert found.difference.p_more < 1e-6
    assert found.difference.p_less == 1.0
    assert "end of the range struck" in str(of_limits([limited], [limited], 0.95))
    assert "does not tell" in str(of_limits([rate(math.nan, 1.0)], [limited], 0.95))


def test_no_change_of_a_limit_is_seldom_worse() -> None:
    """Normal figures with intervals of their own: at most 5 % (and chance) of 2,000 test as worse."""
    rng = np.random.default_rng(55)
    shown = 0
    for half_a, half_b in rng.uniform(0.5, 3.0, (2000, 2)):
        sides = [rate(rng.normal(30.0, half / 1.96), half) for half in (half_a, half_b)]
        found = of_limits(sides[:1], sides[1:], 0.95)
        shown += not isinstance(found, str) and found.difference.p_less <= 0.05
    assert shown / 2000 <= 0.05 + 2.3 * math.sqrt(0.05 * 0.95 / 2000)


def test_what_is_not_compared_is_named() -> None:
    """Measures that both sides hold, and no others; and why a limit isn't compared."""
    table = drawn(np.random.default_rng(56), 50)
    spread = Measure(name="velocity_spread", unit="levels", value=1.0)
    exponent = Measure(name="velocity_exponent", unit="ratio", value=1.0)
    gap = Measure(name="flam_gap_95", unit="ms", value=20.0, low=18.0, high=22.0)
    figures: Figures = ([[spread, exponent, gap, watched(0, 0.0)]], [[spread, watched(0, 9.0)]])
    found = compare(table, table, figures=figures)
    assert found.not_compared == ("velocity_spread",)
    said = " ".join(found.left_out)
    assert "flam_gap_95 is not compared: a run does not measure it" in said
    with pytest.raises(ComparisonError, match="stray_rate can't be compared: of a run it isn't"):
        compare(table, table, figures=figures, measures=["stray_rate"])


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"strike": -1}, "none of 50 onsets belongs to a strike of a plan"),
        ({"outcome": "lost", "latency_s": math.nan}, "none of 50 strokes has a note"),
        ({"valid": False}, "none of 50 strokes is valid"),
    ],
)
def test_why_nothing_can_be_told_is_said(change: dict[str, object], said: str) -> None:
    """A recording without strikes or notes is undecided, and says so of its side."""
    table = drawn(np.random.default_rng(57), 50)
    found = compare(table, table.assign(**change))
    (why,) = found.why_undecided
    assert said in why
    assert why.startswith("after")
    assert compare(table, table).why_undecided == ()


def test_all_that_can_not_be_asked_is_told_in_one_go() -> None:
    """Unknown measures, margins and allowances together, and no sentence with two stops."""
    with pytest.raises(ComparisonError) as raised:
        refuse_senseless(["foo", "latncy_sd"], {"velocity": -1.0}, ["a fault of before"], ["bogus"])
    text = str(raised.value)
    for part in ("'foo'", "did you mean 'latency_sd'?;", "-1 for velocity", "'bogus'", "of before"):
        assert part in text
    assert "?." not in text
