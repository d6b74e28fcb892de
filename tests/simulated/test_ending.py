"""Stop conditions end a run when what they watch has passed its bound, and say so with figures."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from bench_runs import SHORT, files, run_short

from analysis.pipeline import analyse_run
from analysis.provenance import provenance
from rig.ending import Ending
from rig.preparation import prepare
from rig.record.bench_fault import BadFileError, BenchError
from rig.record.coil_warmth import pulse_energy_j
from rig.record.dry_run import dry_run
from rig.record.endurance import Stop
from rig.record.loaders import parse_protocol
from rig.record.plan import PlanError
from rig.record.run_folder import RunReader

STEADY = """
format = 1
name = "steady"
purpose = "strokes alike"

[stop]
CONDITION
over_strokes = 20

[[stage]]
name = "steady"
pattern = "single"
widths_us = [2600]
repeats = 300
interval_ms = 120
"""


def burst(strokes: int, width_us: float = 3000.0) -> tuple[pd.DataFrame, dict[int, int]]:
    """Rows of a burst of striker A, a stroke every 100 ms, and their ticks."""
    rows = pd.DataFrame({"strike": range(strokes), "striker": "A", "width_us": width_us})
    return rows, {row: 200_000 * row for row in range(strokes)}


def watch(stop: Stop, levels: list[float], lost: list[int]) -> list[str]:
    """What is said after each of some bursts of 50 strokes."""
    ending = Ending(stop, files().bench)
    total, said = 0, []
    for number, (level, more) in enumerate(zip(levels, lost, strict=True), start=1):
        total += more
        said.append(
            ending.after_burst(
                *burst(50), now_s=600.0 * number, energy=50 * level, heard=(50 * number, total)
            )
        )
    return said


def test_a_fall_of_the_level_ends_it() -> None:
    """3.01 dB is half the energy: 2.9 dB are too much for a bound of 2.8, not for one of 3."""
    levels = [1.0, 0.9, 10**-0.29]
    assert watch(Stop(level_falls_db=3.0), levels, [0] * 3) == [""] * 3
    said = watch(Stop(level_falls_db=2.8, over_strokes=50), levels, [0] * 3)
    assert said[:2] == ["", ""]
    assert "2.90 dB below" in said[2]


def test_a_silent_pad_has_fallen_for_good() -> None:
    """No energy at all is a fall without end, not a division by zero."""
    assert "inf dB" in watch(Stop(level_falls_db=20, over_strokes=50), [1.0, 0.0], [0, 0])[1]


def test_few_strokes_are_waited_for() -> None:
    """Nothing is said of level and losses before so many strokes are there."""
    said = watch(Stop(lost_share_percent=1, over_strokes=120), [1.0] * 4, [1, 1, 1, 1])
    assert said[:2] == ["", ""]
    assert "3 of the last 150 strokes were lost, 2.00 %" in said[2]
    assert said[3] == ""


def test_hours_and_strokes_end_it() -> None:
    """The first burst that brings it to the hour or the count is its last."""
    said = watch(Stop(after_h=0.5, after_strokes=150), [1.0] * 4, [0] * 4)
    assert said[:2] == ["", ""]
    assert "150 strokes are struck" in said[2]
    assert "0.50 h have passed" in said[3]


def test_a_coil_warms_by_what_its_pulses_give_it() -> None:
    """Pulses far quicker than the coil cools: it rises by their energy over its heat capacity."""
    bench = files().bench
    striker = bench.strikers[0]
    rows, ticks = burst(50)
    rise_k = 49 * float(pulse_energy_j(striker, 3000.0)) / float(striker.heat_capacity_j_per_k or 0)
    # it cools by less than 4 % in the five seconds
    for share, ends in ((0.9, True), (1.01, False)):
        stop = Stop(coil_warmer_than_c=bench.ambient.temperature_c + share * rise_k)
        said = Ending(stop, bench).after_burst(rows, ticks, now_s=0, energy=1, heard=(0, 0))
        assert bool(said) is ends
        assert not ends or "'A'" in said


def test_warmth_is_carried_from_burst_to_burst() -> None:
    """Two bursts warm it more than one: what the first gave is not forgotten."""
    bench = files().bench
    rows, ticks = burst(50)
    one_k = 49 * float(pulse_energy_j(bench.strikers[0], 3000.0)) / 25.0
    ending = Ending(Stop(coil_warmer_than_c=21.0 + 1.5 * one_k), bench)
    common = {"energy": 1.0, "heard": (0, 0)}
    assert ending.after_burst(rows, ticks, now_s=0, **common) == ""
    later = {row: tick + 12_000_000 for row, tick in ticks.items()}
    assert ending.after_burst(rows, later, now_s=6, **common) != ""


def test_a_run_ends_by_its_condition_and_is_complete(tmp_path: Path) -> None:
    """Complete, with the condition in stop record, event and analysis; the rest stays unstruck."""
    protocol = STEADY.replace("CONDITION", "after_strokes = 150")
    result = run_short(tmp_path / "run", protocol=protocol)
    assert result.outcome == "complete"
    assert "150 were asked for" in result.reason
    reader = RunReader.open(tmp_path / "run")
    assert (reader.status, reader.faults) == ("complete", [])
    assert reader.stop is not None
    ended = reader.events[reader.events["kind"] == "ended"]["text"].tolist()
    assert ended == [result.reason] == [reader.stop.reason]
    analysis = analyse_run(tmp_path / "run")
    struck = analysis.table.strokes["valid"].sum()
    assert struck == (reader.events["kind"] == "coil_on").sum() == 200
    assert ("ended by", result.reason) in provenance(analysis)
    assert any(result.reason in doubt for doubt in analysis.doubts)


def test_a_module_that_loses_strokes_ends_it(tmp_path: Path) -> None:
    """With a dead time longer than the interval every other stroke is lost, and soon told."""
    protocol = STEADY.replace("CONDITION", "lost_share_percent = 20")
    result = run_short(tmp_path / "run", "seed=1&set.dead_time_ms=180", protocol=protocol)
    assert result.outcome == "complete"
    assert "were lost" in result.reason
    assert result.progress.strikes_done < 300


def test_what_can_not_be_watched_is_refused() -> None:
    """No notes at the board, no heat capacity: each condition is refused, all in one go.

    So is what can't be recorded, and a stroke beyond the calibration; ``check`` says the same.
    """
    protocol = STEADY.replace("CONDITION", "lost_share_percent = 1\ncoil_warmer_than_c = 80")
    made = files(protocol, bench_change=("board_din = true", "board_din = false"))
    bare = files(protocol, bench_change=("heat_capacity_j_per_k = 25.0", ""))
    with pytest.raises(BenchError, match="board_din is false"):
        prepare(made)
    with pytest.raises(BenchError, match="heat_capacity_j_per_k"):
        prepare(bare)
    harder = protocol.replace("[stop]", '[record]\nkeep = "windows"\n[stop]', 1)
    harder = harder.replace("widths_us = [2600]", "forces_n = [500]")
    unfit = files(harder, bench_change=("board_din = true", "board_din = false"))
    with pytest.raises(PlanError) as caught:
        prepare(unfit)
    told = caught.value.refusals
    assert tuple(dry_run(unfit.protocol, unfit.bench).refusals) == told
    for word in ("500 N", "board_din is false", 'record.keep = "windows"'):
        assert sum(word in one for one in told) == 1, told


def test_a_condition_misspelt_or_out_of_range_is_told() -> None:
    """Unknown keys name the nearest one, and bounds are told, all in one go."""
    text = SHORT + "\n[stop]\nlevel_fals_db = 3\nlost_share_percent = 0\n[record]\nbefore_ms = 5\n"
    with pytest.raises(BadFileError) as caught:
        parse_protocol(text, "protocol.toml")
    told = str(caught.value)
    assert "level_falls_db" in told
    assert "above 0" in told
    assert "at least 30" in told
    assert np.count_nonzero([line.strip() != "" for line in told.splitlines()]) == 3
