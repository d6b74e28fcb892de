"""The plan strikes what the protocol says, when it says, and the same each time."""

from __future__ import annotations

import msgspec
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.record.bench_file import BenchFile
from rig.record.force_width import ForceWidth
from rig.record.packing import BURST_STRIKES, LEAD_US, START_CLEARANCE_US, TAIL_US
from rig.record.plan import BURST_COLUMNS, PLAN_COLUMNS, Plan, PlanError, make_plan
from rig.record.protocol import (
    BuzzStage,
    FlamStage,
    GivenStage,
    IdleStage,
    Protocol,
    RollStage,
    SingleStage,
    Stage,
)


def plan_of(bench: BenchFile, *stages: Stage, seed: int = 1) -> Plan:
    """Plan of a protocol with these stages."""
    return make_plan(Protocol(format=1, name="x", purpose="", stages=stages, seed=seed), bench)


def contact_ms(plan: Plan, bench: BenchFile) -> np.ndarray:
    """Contact of each strike in its burst: coil on plus the striker's flight."""
    strikes = plan.strikes
    times = strikes["time_us"].to_numpy() / 1000.0
    for facts in bench.strikers:
        own = (strikes["striker"] == facts.id).to_numpy()
        times[own] += ForceWidth(facts).flight_ms(strikes["width_us"].to_numpy()[own])
    return times


def test_the_contract_holds_for_all_patterns(protocol, bench):
    """Columns, types, counts up from 0, order, lead, tail and size of every burst."""
    plan = make_plan(protocol, bench)
    strikes, bursts = plan.strikes, plan.bursts
    for table, columns in ((strikes, PLAN_COLUMNS), (bursts, BURST_COLUMNS)):
        wanted = pd.DataFrame({name: pd.Series([], dtype=kind) for name, kind in columns.items()})
        assert table.dtypes.to_dict() == wanted.dtypes.to_dict()
    assert strikes["strike"].tolist() == list(range(len(strikes)))
    assert bursts["burst"].tolist() == list(range(len(bursts)))
    pd.testing.assert_frame_equal(strikes.sort_values(["burst", "time_us"]), strikes)
    assert (strikes.groupby("burst")["time_us"].min() >= LEAD_US).all()
    assert (strikes.groupby("burst").size() <= BURST_STRIKES).all()
    struck = bursts[~bursts["idle"]].set_index("burst")
    last_off = (strikes["time_us"] + strikes["width_us"]).groupby(strikes["burst"]).max()
    assert (struck["duration_us"] - last_off >= TAIL_US).all()
    assert bursts["prompt"].tolist() == ["mount the pad"] + [""] * (len(bursts) - 1)
    assert list(dict.fromkeys(bursts["stage"])) == [stage.name for stage in protocol.stages]
    groups = strikes[strikes["group"] >= 0].groupby("group")
    for column in ("stage", "burst"):
        assert (groups[column].first() == groups[column].last()).all()


def test_same_seed_same_plan(protocol, bench):
    """A protocol, a bench and a seed fix the plan to the last bit; another seed shuffles anew."""
    first, again, other = (make_plan(protocol, bench, seed=seed) for seed in (7, 7, 8))
    pd.testing.assert_frame_equal(first.strikes, again.strikes)
    assert not first.strikes.equals(other.strikes)


def test_a_stage_draws_alike_wherever_it_stands(bench):
    """Changing one stage leaves the draws of the others alone."""
    ladder = SingleStage(name="a", forces_n=(1.0, 2.0), order="shuffled", repeats=5)
    flams = FlamStage(
        name="b", strikers=("A", "B"), gaps_ms=(5.0, 9.0, 20.0), force_n=4.0, repeats=4
    )
    longer = msgspec.structs.replace(ladder, repeats=9)
    gaps = [
        plan.strikes.loc[plan.strikes["stage"] == "b", "gap_ms"].dropna().tolist()
        for plan in (plan_of(bench, ladder, flams), plan_of(bench, longer, flams))
    ]
    assert gaps[0] == gaps[1]


@pytest.mark.parametrize(
    ("order", "levels", "sweeps"),
    [
        ("up", [1, 2, 4], ["up"] * 3),
        ("down", [4, 2, 1], ["down"] * 3),
        ("up_down", [1, 2, 4, 4, 2, 1], ["up"] * 3 + ["down"] * 3),
    ],
)
def test_ladders(bench, order, levels, sweeps):
    """Each striker climbs the whole ladder in the order asked for, in each repeat."""
    stage = SingleStage(
        name="a", forces_n=(2.0, 1.0, 4.0), order=order, repeats=2, strikers=("A", "B")
    )
    strikes = plan_of(bench, stage).strikes
    np.testing.assert_allclose(strikes["force_n"], levels * 4)
    assert strikes["sweep"].tolist() == sweeps * 4
    n = len(levels)
    assert strikes["striker"].tolist() == (["A"] * n + ["B"] * n) * 2
    assert (strikes["group"] == -1).all()


def test_shuffled_strikes_the_same_in_another_order(bench):
    """Every force comes as often as in a ladder, with each striker, and not in order."""
    stage = SingleStage(
        name="a", forces_n=(1.0, 2.0, 4.0), order="shuffled", repeats=30, strikers=("A", "B")
    )
    strikes = plan_of(bench, stage).strikes
    assert (strikes.groupby(["striker", "force_n"]).size() == 30).all()
    assert strikes["sweep"].eq("").all()
    assert abs(np.corrcoef(strikes["strike"], strikes["force_n"])[0, 1]) < 0.3


def test_intervals_are_even_draws_around_the_interval(bench):
    """From contact to contact: mean and spread of a uniform distribution (sd = width / √12)."""
    stage = SingleStage(
        name="a", forces_n=(2.0,), repeats=3000, interval_ms=200, interval_spread_ms=15
    )
    plan = plan_of(bench, stage)
    contacts, burst = contact_ms(plan, bench), plan.strikes["burst"].to_numpy()
    intervals = np.diff(contacts)[np.diff(burst) == 0]
    assert intervals.min() >= 185 - 0.01
    assert intervals.max() <= 215 + 0.01
    assert intervals.mean() == pytest.approx(200, abs=4 * 8.66 / np.sqrt(len(intervals)))
    assert intervals.std() == pytest.approx(30 / np.sqrt(12), rel=0.05)


def test_rolls_land_at_their_rate(bench):
    """Contacts of two unlike strikers, taking turns, come at an even 1 / rate."""
    stage = RollStage(
        name="r", strikers=("A", "B"), rates_per_s=(12.0, 30.0), strokes=9, repeats=2, force_n=8.0
    )
    plan = plan_of(bench, stage)
    strikes = plan.strikes.assign(contact=contact_ms(plan, bench))
    assert strikes.groupby("group")["rate_per_s"].first().tolist() == [12, 30, 12, 30]
    for _, roll in strikes.groupby("group"):
        assert roll["striker"].tolist() == list("ABABABABA")
        period = 1000 / roll["rate_per_s"].iloc[0]
        np.testing.assert_allclose(np.diff(roll["contact"]), period, atol=0.0011)
    # B flies 1 ms longer at each width, so its coil goes on earlier
    first = strikes[strikes["group"] == 0]
    assert np.diff(first["time_us"]).min() < 1e6 / 12 - 900


def test_trains_change_by_equal_factors(bench):
    """Gaps and forces are geometric: n-1 gaps of ratio q sum to a (1 - q^(n-1)) / (1 - q)."""
    stage = BuzzStage(
        name="t",
        strikers=("A", "B"),
        strokes=8,
        first_gap_ms=60,
        last_gap_ms=20,
        first_force_n=16.0,
        last_force_n=2.0,
    )
    plan = plan_of(bench, stage)
    strikes, contacts = plan.strikes, contact_ms(plan, bench)
    q = (20 / 60) ** (1 / 6)
    assert contacts[-1] - contacts[0] == pytest.approx(60 * (1 - q**7) / (1 - q), abs=0.002)
    np.testing.assert_allclose(np.diff(contacts), strikes["gap_ms"][1:], atol=0.0011)
    forces = strikes["force_n"].to_numpy()
    np.testing.assert_allclose(forces[1:] / forces[:-1], (2 / 16) ** (1 / 7), rtol=1e-9)
    assert np.isnan(strikes["gap_ms"][0])


def test_flams_land_at_their_gap_and_level(bench):
    """Second contact after the gap, at 10^(dB/20) times the first's force; all pairs of both."""
    stage = FlamStage(
        name="f",
        strikers=("A", "B"),
        gaps_ms=(6.0, 15.0, 40.0),
        level_differences_db=(0.0, -6.0206, 6.0206),
        force_n=6.0,
        repeats=3,
    )
    plan = plan_of(bench, stage)
    strikes = plan.strikes.assign(contact=contact_ms(plan, bench))
    pairs = strikes.sort_values(["group", "place"])
    first, second = pairs[pairs["place"] == 0], pairs[pairs["place"] == 1]
    gap = second["contact"].to_numpy() - first["contact"].to_numpy()
    np.testing.assert_allclose(gap, second["gap_ms"], atol=0.0011)
    ratio = second["force_n"].to_numpy() / first["force_n"].to_numpy()
    # 6.0206 dB is a factor of 2 (20 log10 2)
    np.testing.assert_allclose(
        ratio, second["level_difference_db"].map({0.0: 1, -6.0206: 0.5, 6.0206: 2}), rtol=1e-5
    )
    assert (second.groupby(["gap_ms", "level_difference_db"]).size() == 3).all()
    assert len(second) == 27


def test_a_flam_too_close_for_two_markers_is_opened_and_says_so(bench):
    """Where flights would bring two coils together, the second waits; gap_ms says so."""
    stage = FlamStage(
        name="f",
        strikers=("A", "B"),
        gaps_ms=(0.5, 1.0, 1.5, 2.0, 3.0),
        level_differences_db=(-12.0, 0.0, 6.0),
        force_n=6.0,
    )
    plan = plan_of(bench, stage)
    strikes = plan.strikes.assign(contact=contact_ms(plan, bench))
    starts = strikes.groupby("group")["time_us"].apply(lambda times: times.max() - times.min())
    assert starts.min() >= START_CLEARANCE_US
    pairs = strikes.pivot_table(index="group", columns="place", values="contact")
    gaps = strikes[strikes["place"] == 1].set_index("group")["gap_ms"].sort_index()
    np.testing.assert_allclose(pairs[1] - pairs[0], gaps, atol=0.0011)
    assert (gaps > 0.49).all()


def test_widths_strike_a_bench_without_calibration(bench):
    """Pulse widths are struck as given; forces are NaN there, and known on a calibrated bench."""
    bare = msgspec.structs.replace(
        bench,
        strikers=tuple(
            msgspec.structs.replace(facts, calibration=None) for facts in bench.strikers
        ),
    )
    stages = (
        SingleStage(name="s", widths_us=(3000.0, 5000.0)),
        RollStage(name="r", rates_per_s=(10.0,), width_us=4000.0),
        FlamStage(
            name="f",
            strikers=("A", "B"),
            gaps_ms=(20.0,),
            width_us=6000.0,
            second_width_us=4000.0,
        ),
    )
    strikes = plan_of(bare, *stages).strikes
    assert strikes["width_us"].tolist()[:2] == [3000, 5000]
    assert strikes["force_n"].isna().all()
    assert strikes["level_difference_db"].isna().all()
    known = plan_of(bench, *stages).strikes
    np.testing.assert_allclose(known["force_n"][:2], [0.04e-9 * 3000**3, 5.0], rtol=1e-3)
    flam = known[known["pattern"] == "flam"]["level_difference_db"]
    np.testing.assert_allclose(flam, 60 * np.log10(4 / 6), rtol=1e-6)


def test_idle_strikes_nothing(bench):
    """A stage of silence is one burst of its duration without a strike."""
    plan = plan_of(bench, IdleStage(name="quiet", duration_s=60.0, prompt="leave the room"))
    assert plan.strikes.empty
    assert plan.bursts.to_dict("records") == [
        {
            "burst": 0,
            "stage": "quiet",
            "prompt": "leave the room",
            "duration_us": 60_000_000,
            "idle": True,
        }
    ]


def test_all_that_can_not_be_planned_is_told_at_once(bench):
    """Unknown striker, force beyond the calibration, given strokes, too many: one error."""
    with pytest.raises(PlanError) as caught:
        plan_of(
            bench,
            SingleStage(name="s", forces_n=(1.0, 90.0)),
            RollStage(name="r", rates_per_s=(10.0,), force_n=5.0, strikers=("A", "C")),
            GivenStage(name="g"),
            SingleStage(name="m", forces_n=(1.0, 2.0, 3.0), repeats=1_000_000),
        )
    refusals = caught.value.refusals
    for sentence in (
        "stage 's': 90 N is asked of striker 'A', calibrated from 0.625 to 29.16 N",
        "stage 'r': striker 'C' is not on this bench, which has A, B",
        "stage 'g': its strokes were given",
        "stage 'm': 3,000,000 strokes",
    ):
        assert any(sentence in refusal for refusal in refusals), sentence
    assert len(refusals) == 4


@settings(deadline=None, max_examples=40)
@given(
    strokes=st.integers(2, 250),
    rates=st.lists(st.floats(2.0, 50.0), min_size=1, max_size=5),
    rest_ms=st.floats(1.0, 3000.0),
)
def test_a_roll_is_never_torn_between_bursts(bench, strokes, rates, rest_ms):
    """Rolls stay whole; a burst holds more than one only up to its size and length."""
    stage = RollStage(
        name="r", rates_per_s=tuple(rates), strokes=strokes, force_n=5.0, rest_ms=rest_ms
    )
    plan = plan_of(bench, stage)
    by_burst = plan.strikes.groupby("burst")
    by_group = plan.strikes.groupby("group")["burst"]
    assert (by_group.min() == by_group.max()).all()
    crowded = by_burst["group"].min() < by_burst["group"].max()
    assert (by_burst.size()[crowded] <= BURST_STRIKES).all()
    span_us = by_burst["time_us"].max() - by_burst["time_us"].min()
    assert (span_us[crowded] <= 30.1e6).all()
    assert (by_burst["time_us"].min() >= max(LEAD_US, rest_ms * 1000 - 1)).all()
