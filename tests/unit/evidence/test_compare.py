"""Comparisons of drawn runs whose difference is known."""

import dataclasses
import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from analysis import compare as comparing
from analysis.alike import RunFacts, UnlikeRunsError, pool, refuse_unlike
from analysis.change import Change, strokes_needed
from analysis.compare import compare
from analysis.equivalence import of_means
from analysis.power import power_of_fisher

FORCES_N = (2.0, 5.0, 10.0, 20.0)


def drawn(
    rng: np.random.Generator, strokes: int, *, slower_ms: float = 0.0, doubles: float = 0.005
) -> pd.DataFrame:
    """Draw a run: polled latencies that fall with force, doubles and lost strokes by chance."""
    force = np.resize(FORCES_N, strokes)
    latency = 4.0 + 3.0 / force + rng.uniform(0, 1, strokes) + rng.normal(0, 0.1, strokes)
    chance = rng.random(strokes)
    outcome = np.where(chance < doubles, "double", "clean")
    outcome[rng.random(strokes) < 0.002] = "lost"
    lost = outcome == "lost"
    velocity = np.round(20 + 30 * np.log2(force) + rng.normal(0, 1.5, strokes)).clip(1, 127)
    return pd.DataFrame(
        {
            "strike": np.arange(strokes),
            "stage": "ladder",
            "striker": "A",
            "force_n": force,
            "latency_s": np.where(lost, np.nan, (latency + slower_ms) / 1000.0),
            "velocity": np.where(lost, np.nan, velocity),
            "outcome": outcome,
            "valid": True,
        }
    )


def facts(**other: object) -> RunFacts:
    """Facts of a made-up run."""
    base = RunFacts(
        name="run",
        bench="station 4",
        calibration="A: none",
        protocol="[]",
        sample_rate_hz=96_000,
        specimen={"module.firmware": "1.0"},
    )
    return dataclasses.replace(base, **other)  # type: ignore[arg-type]


def test_no_change_is_seldom_called_worse() -> None:
    """Of 250 pairs with no change at most 5 % (and chance) are called worse; most are equal."""
    rng = np.random.default_rng(11)
    verdicts = [compare(drawn(rng, 400), drawn(rng, 400)).verdict for _ in range(250)]
    # 5 %, and 2.3 standard errors of 250 draws
    assert verdicts.count("worse") <= 12 + 8
    assert verdicts.count("better") <= 12 + 8


@pytest.mark.parametrize(
    ("change", "blamed"),
    [({"slower_ms": 0.5}, "latency_median"), ({"doubles": 0.025}, "double_share")],
)
def test_a_worse_build_is_found_at_the_strokes_asked_for(
    change: dict[str, float], blamed: str
) -> None:
    """After a short pilot, a second run of the strokes it asked for finds at least 90 %."""
    rng = np.random.default_rng(12)
    found = asked = 0
    for _ in range(60):
        pilot = compare(drawn(rng, 150), drawn(rng, 150, **change))
        strokes = pilot.strokes_needed or 150
        full = compare(drawn(rng, strokes), drawn(rng, strokes, **change))
        named = next(one for one in full.measures if one.name == blamed)
        found += named.verdict == "worse" and full.verdict == "worse"
        asked += strokes
    assert found >= 54
    assert asked / 60 < 2000


def test_equal_builds_are_shown_equal_at_the_strokes_asked_for() -> None:
    """With no change, and the strokes it asked for, each measure is mostly shown equal."""
    rng = np.random.default_rng(13)
    verdicts: list[str] = []
    for _ in range(25):
        pilot = compare(drawn(rng, 150), drawn(rng, 150))
        strokes = pilot.strokes_needed or 150
        full = compare(drawn(rng, strokes), drawn(rng, strokes))
        verdicts += [one.verdict for one in full.measures]
    assert verdicts.count("equal") / len(verdicts) > 0.90


@pytest.mark.parametrize("counts", [(200, 200), (200, 20_000), (20_000, 200)])
def test_a_pilot_of_unlike_sides_asks_for_as_many(counts: tuple[int, int]) -> None:
    """Of one deviation, against a margin of a tenth of it: 2 ((1.645 + 1.282) / 0.1)^2 a side.

    Two one-sided tests at 0.05 with power 0.8 (Julious 2004, Statistics in Medicine 23:1921, from
    memory); more by what a pilot's deviation may be too small.
    """
    rng = np.random.default_rng(5)
    asked = []
    for _ in range(20):
        sides = [rng.normal(size=count) for count in counts]
        change = Change(of_means(*sides), 0.0, 0.0, counts)
        asked.append(strokes_needed(change, 0.1, 0.05, 0.8))
    assert 1713 < np.mean(asked) < 1.25 * 1713


def test_a_better_build_is_called_better() -> None:
    """A build 2 ms faster is better, with the shift and its interval in milliseconds."""
    rng = np.random.default_rng(14)
    found = compare(drawn(rng, 500), drawn(rng, 500, slower_ms=-2.0))
    latency = found.measures[0]
    assert found.verdict == "better"
    assert latency.low < -2.0 < latency.high
    assert latency.after - latency.before == pytest.approx(-2.0, abs=0.3)


def test_a_changed_velocity_is_worse_either_way() -> None:
    """Velocities that nobody asked to change count as worse, up or down."""
    rng = np.random.default_rng(15)
    for shift in (-6.0, 6.0):
        after = drawn(rng, 300)
        after["velocity"] += shift
        found = compare(drawn(rng, 300), after, measures=("velocity",))
        assert found.verdict == "worse"
        assert found.measures[0].difference == pytest.approx(shift, abs=1.0)


def test_pulse_widths_part_strokes_where_forces_are_not_known() -> None:
    """On a bench that is not calibrated the comparison is as sharp as by force."""
    rng = np.random.default_rng(17)
    runs = [drawn(rng, 200), drawn(rng, 200, slower_ms=0.2)]
    by_force = compare(*runs, measures=["latency_median"]).measures[0]
    widths = [run.assign(width_us=2000.0 + 50.0 * run["force_n"], force_n=np.nan) for run in runs]
    by_width = compare(*widths, measures=["latency_median"]).measures[0]
    assert (by_width.low, by_width.high) == (by_force.low, by_force.high)
    blind = [run.drop(columns="width_us") for run in widths]
    found = compare(*blind, measures=["latency_median"]).measures[0]
    assert found.high - found.low > 1.5 * (by_width.high - by_width.low)


def test_lost_strokes_have_no_velocity() -> None:
    """A stroke table says -1 for them: no velocity, but lost; a build that loses is no softer."""
    rng = np.random.default_rng(21)
    tables = []
    for share in (0.0, 0.3):
        table = drawn(rng, 400)
        table.loc[rng.random(400) < share, "outcome"] = "lost"
        lost = table["outcome"] == "lost"
        table.loc[lost, "latency_s"] = np.nan
        tables.append(table.assign(velocity=np.where(lost, -1, table["velocity"])))
    found = compare(*tables, measures=("velocity", "lost_share"))
    assert [one.verdict for one in found.measures] == ["equal", "worse"]
    assert found.measures[0].count_after == (tables[1]["outcome"] != "lost").sum()


def test_too_little_is_undecided() -> None:
    """Empty, invalid or NaN tables never give equal or better."""
    rng = np.random.default_rng(16)
    good = drawn(rng, 300)
    for bad in (
        good.iloc[:0],
        good.assign(valid=False),
        good.assign(latency_s=np.nan, velocity=np.nan, outcome="no_contact"),
        good.iloc[:3],
    ):
        found = compare(good, bad)
        assert found.verdict == "undecided"
        assert {one.verdict for one in found.measures} == {"undecided"}


@pytest.mark.filterwarnings("error")
def test_strokes_that_are_all_alike_have_an_interval_yet() -> None:
    """One latency and velocity 40 times: equal, the velocity to its rounding; 3 times: undecided."""
    table = drawn(np.random.default_rng(17), 40).assign(force_n=5.0, outcome="clean")
    table = table.assign(latency_s=0.005, velocity=64.0)
    found = {one.name: one for one in compare(table, table).measures}
    for name in ("latency_median", "latency_sd", "latency_p95"):
        assert (found[name].low, found[name].high, found[name].verdict) == (0.0, 0.0, "equal")
    # Welch's t with the deviation of rounding, 1 / sqrt(12), on either side
    half = stats.t.ppf(0.975, 78) * math.sqrt(2.0 / 12.0 / 40.0)
    assert found["velocity"].high == pytest.approx(half, rel=1e-9)
    few = {one.name: one.verdict for one in compare(table[:3], table[:3]).measures}
    assert few.pop("velocity") == "equal"
    assert set(few.values()) == {"undecided"}


def test_unlike_runs_are_refused_by_name() -> None:
    """All that differs is named; what is allowed is accepted and told; the specimen may differ."""
    other = facts(name="later", bench="station 9", sample_rate_hz=48_000)
    with pytest.raises(UnlikeRunsError, match=r"bench differs.*station 9.*sample_rate_hz differs"):
        refuse_unlike([facts(), other])
    rng = np.random.default_rng(17)
    found = compare(
        drawn(rng, 50),
        drawn(rng, 50),
        facts=(facts(), dataclasses.replace(other, specimen={"module.firmware": "1.1"})),
        allow=["bench", "sample_rate_hz"],
    )
    assert len(found.unlike) == 2
    assert found.changed == ("module.firmware: 1.0 -> 1.1",)
    with pytest.raises(UnlikeRunsError, match="weather cannot be allowed"):
        refuse_unlike([facts()], ["weather"])


def test_pooling_refuses_other_specimens() -> None:
    """Like runs are put together with their names; another firmware is refused."""
    rng = np.random.default_rng(18)
    tables = [drawn(rng, 10), drawn(rng, 12)]
    both = pool(tables, [facts(name="a"), facts(name="b")])
    assert both.groupby("run").size().to_dict() == {"a": 10, "b": 12}
    with pytest.raises(UnlikeRunsError, match="firmware"):
        pool(tables, [facts(), facts(specimen={"module.firmware": "2"})])


def test_senseless_demands_are_refused() -> None:
    """An unknown measure or a margin of nothing is an error that names what is allowed."""
    rng = np.random.default_rng(19)
    table = drawn(rng, 20)
    with pytest.raises(comparing.ComparisonError, match="loudness"):
        compare(table, table, measures=("loudness",))
    with pytest.raises(comparing.ComparisonError, match="above 0"):
        compare(table, table, margins={"latency_median": 0.0})


def test_power_is_that_of_the_peers_test() -> None:
    """The counted power of the exact test is that of drawn tables judged by scipy."""
    rng = np.random.default_rng(20)
    k1, k2 = rng.binomial(300, 0.01, 1500), rng.binomial(300, 0.05, 1500)
    shown = [
        stats.fisher_exact([[b, 300 - b], [a, 300 - a]], alternative="greater").pvalue <= 0.01
        for a, b in zip(k1, k2, strict=True)
    ]
    assert np.mean(shown) == pytest.approx(power_of_fisher(0.01, 0.05, 300, 0.01), abs=0.04)
