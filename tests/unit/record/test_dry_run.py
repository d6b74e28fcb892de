"""The dry run refuses what the strikers can't do, by the board's own arithmetic."""

from __future__ import annotations

import msgspec
import pytest

from rig.record.bench_file import BenchFile
from rig.record.dry_run import DryRun, dry_run
from rig.record.limits import limits_from_bench
from rig.record.loaders import load_bench, load_protocol, shipped_names
from rig.record.plan import Plan
from rig.record.protocol import FlamStage, IdleStage, Protocol, RollStage, SingleStage, Stage


def try_out(bench: BenchFile, *stages: Stage) -> DryRun:
    """Dry run of a protocol with these stages."""
    return dry_run(Protocol(format=1, name="x", purpose="", stages=stages), bench)


def warm(bench: BenchFile, **facts: float) -> BenchFile:
    """The bench with other facts of all its strikers."""
    strikers = tuple(msgspec.structs.replace(striker, **facts) for striker in bench.strikers)
    return msgspec.structs.replace(bench, strikers=strikers)


@pytest.mark.parametrize("name", shipped_names(""))
def test_shipped_protocols_run_on_the_simulated_bench(name):
    """Every protocol that comes with the program is allowed, and takes minutes; the soak hours."""
    found = dry_run(load_protocol(name), load_bench("simulated"))
    assert found.refusals == ()
    assert found.allowed
    if name == "soak":
        assert found.strokes >= 100_000
        assert found.duration_s < 12 * 3600
    else:
        assert 10 < found.duration_s < 900
    assert found.strokes == len(found.plan.strikes) == found.stages["strokes"].sum()
    assert found.stages["duration_s"].sum() == pytest.approx(found.duration_s)


def test_the_demo_takes_less_than_half_a_minute():
    """The demo is for a first look."""
    assert dry_run(load_protocol("demo"), load_bench("simulated")).duration_s < 30


def test_each_stage_that_asks_too_much_is_told(bench):
    """Gap, pulse, calibration and striker: four stages, four refusals, one dry run."""
    narrow = warm(bench, longest_pulse_us=5000.0)
    found = try_out(
        narrow,
        RollStage(name="fast", rates_per_s=(20.0, 26.0), force_n=4.0),
        SingleStage(name="strong", forces_n=(2.0, 20.0)),
        SingleStage(name="beyond", forces_n=(100.0,)),
        RollStage(name="nobody", rates_per_s=(5.0,), force_n=3.0, strikers=("Z",)),
        SingleStage(name="fine", forces_n=(2.0,)),
    )
    assert not found.allowed
    stages = [refusal.split(":")[0] for refusal in found.refusals]
    assert sorted(stages) == ["stage 'beyond'", "stage 'fast'", "stage 'nobody'", "stage 'strong'"]
    assert any("38.46 ms from pulse to pulse; it takes 40 ms" in one for one in found.refusals)


def test_taking_turns_doubles_the_rate(bench):
    """A roll that one striker can't do, two can: least gap 40 ms each, 50 strokes/s together."""
    one = RollStage(name="r", rates_per_s=(48.0,), force_n=4.0, strikers=("A",))
    two = msgspec.structs.replace(one, strikers=("A", "B"))
    assert not try_out(bench, one).allowed
    assert try_out(bench, two).allowed


def highest_heat(plan: Plan, time_constant_ms: int, ticks: int, budget: int) -> float:
    """The board's integrator as its page states it, millisecond by millisecond, in whole numbers.

    In each whole millisecond: carry += heat; leak = carry / time_constant; heat -= leak;
    carry -= leak * time_constant. What waits in the queue counts in full when a burst is loaded.
    """
    heat = carry = highest = 0
    for _, burst in plan.bursts.iterrows():
        own = plan.strikes[plan.strikes["burst"] == burst["burst"]]
        starts = set((own["time_us"] // 1000).tolist())
        loaded = False
        for now_ms in range(int(burst["duration_us"]) // 1000):
            if not loaded and now_ms in starts:
                highest, loaded = max(highest, heat + len(own) * ticks), True
            if now_ms in starts:
                heat += ticks
            carry += heat
            leak = carry // time_constant_ms
            heat -= leak
            carry -= leak * time_constant_ms
    return highest / budget


def test_heat_is_that_of_the_boards_integrator(bench):
    """The highest share of the heat budget is the one that the board's whole-number rule gives."""
    bench = warm(bench, thermal_time_constant_s=20.0, duty_percent=5.0)
    stage = SingleStage(
        name="s", widths_us=(8000.0,), repeats=250, interval_ms=120, interval_spread_ms=9
    )
    found = try_out(bench, stage)
    budget = limits_from_bench(bench).coils[0].heat_budget_ticks
    assert budget == 2_000_000  # 5 % of 20 s, in ticks of 0.5 µs
    expected = 100 * highest_heat(found.plan, 20_000, 16_000, budget)
    assert found.stages["heat_percent"][0] == pytest.approx(expected, rel=2e-3)
    assert expected > 100
    assert "of its heat budget" in found.refusals[0]


def test_heat_settles_at_the_duty(bench):
    """At exactly the standing duty the heat tends to the whole budget, as the definition says."""
    bench = warm(bench, thermal_time_constant_s=2.0, duty_percent=4.0)
    # 4 ms each 100 ms is a duty of 4 %; bursts and their pauses keep it just below
    stage = SingleStage(
        name="s",
        widths_us=(4000.0,),
        repeats=90,
        interval_ms=100,
        interval_spread_ms=0,
        rest_ms=150,
    )
    plan = try_out(bench, stage).plan
    budget = limits_from_bench(bench).coils[0].heat_budget_ticks
    heat = 0.0
    for gap_ms in plan.strikes["time_us"].diff().fillna(0) / 1000:
        heat = heat * (1 - 1 / 2000) ** gap_ms + 8000
    assert heat / budget == pytest.approx(1.0, abs=0.04)


def test_a_burst_beyond_the_horizon_is_refused(bench):
    """A roll that can't be split must fit into the board's horizon."""
    stage = RollStage(name="long", rates_per_s=(4.0,), strokes=300, force_n=2.0)
    assert any("horizon" in refusal for refusal in try_out(bench, stage).refusals)


def test_bursts_keep_within_a_short_horizon(bench):
    """A bench with a short horizon gets shorter bursts instead of a refusal."""
    limits = msgspec.structs.replace(bench.limits, horizon_s=10.0)
    stage = SingleStage(name="s", forces_n=(2.0,), repeats=90, interval_ms=300)
    found = try_out(msgspec.structs.replace(bench, limits=limits), stage)
    assert found.refusals == ()
    assert (found.plan.bursts["duration_us"] < 9e6).all()


@pytest.mark.parametrize("interval_ms", [2000.0, 20_000.0, 40_000.0])
def test_an_interval_is_never_cut_short(bench, interval_ms):
    """Between bursts too, and where no burst could hold two strokes, it lasts as long as asked."""
    stage = SingleStage(
        name="s", forces_n=(2.0,), repeats=40, interval_ms=interval_ms, interval_spread_ms=0.0
    )
    found = try_out(bench, stage)
    assert found.refusals == ()
    assert found.stages["shortest_gap_ms"].iloc[0] >= interval_ms


def test_an_interval_beyond_the_horizon_is_refused(bench):
    """A stroke that no burst can hold after so long a wait isn't struck sooner."""
    stage = SingleStage(name="s", forces_n=(2.0,), repeats=2, interval_ms=600_000.0)
    assert any("horizon" in refusal for refusal in try_out(bench, stage).refusals)


def test_a_bench_without_a_board_strikes_nothing(bench):
    """A bench that only takes in recordings is told as such, before anything is run."""
    board = msgspec.structs.replace(bench.board, port="none")
    found = try_out(msgspec.structs.replace(bench, board=board), IdleStage(name="i", duration_s=3))
    assert any("strikes nothing" in refusal for refusal in found.refusals)


def test_the_boards_own_limits_are_taken_where_given(bench):
    """Limits that the board echoed, tighter than the bench file's, refuse what the file allows."""
    protocol = Protocol(
        format=1,
        name="x",
        purpose="",
        stages=(FlamStage(name="f", strikers=("A", "B"), gaps_ms=(9.0,), force_n=5.0),),
    )
    assert dry_run(protocol, bench).allowed
    agreed = limits_from_bench(bench)
    tight = tuple(msgspec.structs.replace(coil, longest_pulse_ticks=6000) for coil in agreed.coils)
    found = dry_run(protocol, bench, limits=msgspec.structs.replace(agreed, coils=tight))
    assert len(found.refusals) == 2


def test_limits_in_the_units_of_the_board(bench):
    """Half microseconds, milliseconds, millivolts; a coil without a striker gets no heat."""
    limits = limits_from_bench(bench, coil_count=3)
    assert limits.coils[0].longest_pulse_ticks == 24_000
    assert limits.coils[0].least_gap_ticks == 80_000
    assert limits.coils[0].heat_time_constant_ms == 60_000
    assert limits.coils[0].heat_budget_ticks == 12_000_000  # 10 % of 60 s
    assert [coil.heat_budget_ticks for coil in limits.coils] == [12_000_000, 12_000_000, 0]
    assert (limits.armed_ms, limits.horizon_ms, limits.host_silence_ms) == (120_000, 60_000, 500)
    assert (limits.supply_least_mv, limits.supply_most_mv) == (20_000, 28_000)
