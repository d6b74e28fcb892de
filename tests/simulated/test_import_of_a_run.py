"""A run's own sound, notes and plan, brought in as if from outside, measure what the run measured."""

from __future__ import annotations

import math
import resource
import signal
from pathlib import Path

import mido
import numpy as np
import pytest
from bench_runs import run_short

from analysis.pipeline import Analysis, analyse_run
from analysis.result_files import write_tables
from rig.capture.bring_in import bring_in
from rig.record.bench_fault import BenchError

MIXED = """
format = 1
name = "mixed"
purpose = "a ladder, a roll and pairs"

[[stage]]
name = "ladder"
pattern = "single"
forces_n = [1.5, 3, 6, 12]
repeats = 3
order = "up_down"
interval_ms = 160

[[stage]]
name = "roll"
pattern = "roll"
strikers = ["A", "B"]
rates_per_s = [12, 20]
strokes = 8
force_n = 8

[[stage]]
name = "pairs"
pattern = "flam"
strikers = ["A", "B"]
gaps_ms = [30, 60]
repeats = 2
force_n = 10

[[limit]]
measure = "latency_median"
at_most_ms = 9
stage = "ladder"

[[limit]]
measure = "lost_share"
at_most_percent = 20
stage = "ladder"
"""


@pytest.fixture(scope="module")
def struck(tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    """The run, measured; with what a person would have of it beside."""
    folder = tmp_path_factory.mktemp("struck")
    run_short(folder / "run", protocol=MIXED)
    found = analyse_run(folder / "run")
    write_tables(found)
    strikes = found.table.strokes.query("strike >= 0").sort_values("drive_t_s")
    plan = strikes[["striker", "force_n", "stage", "pattern"]].assign(
        time_s=strikes["drive_t_s"] + 50.0
    )
    plan.to_csv(folder / "strikes.csv", index=False)
    (folder / "mixed.toml").write_text(MIXED)
    notes = found.table.notes
    track = mido.MidiTrack()
    # 1000 ticks to half a second
    ticks = np.round(notes["note_t_s"].to_numpy(dtype=float) * 2000).astype(int)
    for wait, note, velocity in zip(
        np.diff(ticks, prepend=0), notes["note"], notes["velocity"], strict=True
    ):
        track.append(
            mido.Message(
                "note_on", channel=9, note=int(note), velocity=int(velocity), time=int(wait)
            )
        )
    mido.MidiFile(ticks_per_beat=1000, tracks=[track]).save(folder / "take.mid")
    return found


def taken(struck: Analysis, out: Path, **changes: object) -> Analysis:
    """Bring the run in from outside, and measure that."""
    folder = struck.path.parent
    arguments: dict[str, object] = {
        "audio": struck.path / "sensor.wav",
        "sensor_channel": 1,
        "marker_channel": 2,
        "midi": struck.path / "analysis" / "notes.csv",
        "strikes": folder / "strikes.csv",
        "specimen": None,
        "out": out,
    }
    path, _ = bring_in(**(arguments | changes))  # type: ignore[arg-type]
    return analyse_run(path)


@pytest.mark.parametrize("marker", [2, None])
def test_figures_are_those_of_the_run(struck: Analysis, tmp_path: Path, marker: int | None) -> None:
    """Every figure that the run has but the board alone can tell, in the interval of the other."""
    found = taken(struck, tmp_path / "take", marker_channel=marker)
    own = {(m.name, m.stage): m for m in struck.measures}
    outside = {(m.name, m.stage): m for m in found.measures}
    # a plan of this kind says not which way the ladder went, nor a table how many bytes a note had
    untold = {"velocity_hysteresis", "wire_time"}
    wanted = {key for key, m in own.items() if math.isfinite(m.value) and key[0] not in untold}
    assert len(wanted) > 40
    assert {key for key in wanted if not math.isfinite(outside[key].value)} == set()
    for key in sorted(wanted):
        here, there = own[key], outside[key]
        if here.name in ("lost_share", "double_share", "crosstalk_share"):
            assert there.value == here.value, key
        elif here.name == "latency_median":
            assert there.value == pytest.approx(here.value, abs=0.1), key
        elif here.name == "velocity_exponent":
            assert there.value == pytest.approx(here.value, abs=0.01), key


def test_limits_are_held_against_a_take(struck: Analysis, tmp_path: Path) -> None:
    """By a protocol of its own; notes of a MIDI file decide no latency."""
    folder = struck.path.parent
    found = taken(struck, tmp_path / "take", protocol=folder / "mixed.toml")
    assert [one.verdict for one in found.decisions] == ["pass", "pass"]
    midi = taken(
        struck, tmp_path / "midi", protocol=folder / "mixed.toml", midi=folder / "take.mid"
    )
    assert [one.verdict for one in midi.decisions] == ["undecided", "pass"]
    assert "offset to the sound is not known" in midi.decisions[0].reason


SOFT_SECONDS = """
format = 1
name = "soft seconds"
purpose = "single strokes, and pairs whose second is soft"

[[stage]]
name = "ladder"
pattern = "single"
forces_n = [1.5, 3, 6, 12]
repeats = 2
interval_ms = 160

[[stage]]
name = "pairs"
pattern = "flam"
strikers = ["A", "B"]
gaps_ms = [6, 15, 30]
level_differences_db = [-9, 0]
repeats = 3
force_n = 10
"""


def test_a_plan_without_forces_is_not_sure_of_seconds(tmp_path: Path) -> None:
    """Soft strokes fly some 6 ms longer: where no plan says which are, the uncertainty holds it."""
    run_short(tmp_path / "run", protocol=SOFT_SECONDS)
    found = analyse_run(tmp_path / "run")
    own = found.table.strokes.query("strike >= 0").sort_values("drive_t_s", ignore_index=True)
    plan = own[["striker"]].assign(time_s=own["drive_t_s"] + 50.0)
    plan.to_csv(tmp_path / "strikes.csv", index=False)
    path, _ = bring_in(
        audio=tmp_path / "run" / "sensor.wav",
        sensor_channel=1,
        marker_channel=2,
        midi=None,
        strikes=tmp_path / "strikes.csv",
        specimen=None,
        out=tmp_path / "take",
    )
    take = analyse_run(path).table.strokes.query("strike >= 0")
    take = take.sort_values("drive_t_s", ignore_index=True)
    off_s = (take["onset_t_s"] - own["onset_t_s"]).abs()
    second = np.zeros(len(own), dtype=bool)
    second[len(own) - 36 :] = own["striker"].to_numpy()[-36:] == "B"
    assert second.sum() == 18
    assert (off_s[second] > 0.005).any()
    # a soft stroke of which the plan tells nothing may stay unheard, and is said to be
    assert off_s.isna().sum() <= 1
    held = off_s <= 1.96 * np.hypot(take["onset_u_s"], own["onset_u_s"])
    assert held[off_s.notna()].mean() >= 0.95
    assert off_s[~second].max() < 0.0005


def test_without_notes_nothing_is_said_of_the_module(struck: Analysis, tmp_path: Path) -> None:
    """No stray rate of 0 either, where nobody listened."""
    found = taken(struck, tmp_path / "take", midi=None)
    values = {m.name: m.value for m in found.measures if m.stage == ""}
    assert "stray_rate" not in values
    assert not any(
        math.isfinite(values.get(name, math.nan))
        for name in ("latency_median", "lost_share", "double_share", "velocity_exponent")
    )


def test_a_disk_that_fills_leaves_the_tables_as_they_were(struck: Analysis) -> None:
    """No half table, no part of one; the sentence names the folder and what to do."""
    folder = struck.path / "analysis"
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    handled = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (2000, hard))
    try:
        with pytest.raises(BenchError, match=r"writing the tables into .*Make room"):
            write_tables(struck)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        signal.signal(signal.SIGXFSZ, handled)
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
