"""A run from files to record on the simulated bench."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
from bench_runs import LONG_ROLL, SHORT, board_of, check_true, faults_of, files, run_short, truth_of

from rig.preparation import prepare
from rig.progress import Progress
from rig.record.midi_bytes import parse_notes
from rig.record.run_folder import RunReader
from rig.runner import run
from rig.so_far import SoFar


def test_complete_run_records_what_was_planned(tmp_path: Path) -> None:
    """Every planned strike, at its tick; the record is whole, and names limits and board."""
    result = run_short(tmp_path / "run")
    assert (result.outcome, result.error) == ("complete", None)
    assert faults_of(tmp_path / "run") == []
    reader = check_true(tmp_path / "run")
    assert reader.status == "complete"
    assert board_of(reader)["host_silence_ms"] == 500
    assert reader.start.board["queue_length"] == 256
    assert "set.dead_time_ms" in reader.start.port
    assert result.progress.strikes_done == len(reader.plan.strikes) == 36
    assert not (tmp_path / "run" / "fault.json").exists()


def test_each_burst_opens_with_an_irregular_preamble(tmp_path: Path) -> None:
    """Four lone markers before the first strike, no two of their gaps alike; idle bursts too."""
    run_short(tmp_path / "run")
    events = RunReader.open(tmp_path / "run").events
    markers = events[events["kind"] == "marker"]["stamp_int"].to_numpy()
    begins = events[events["kind"] == "burst_begin"]["stamp_int"].to_numpy()
    on = events[events["kind"] == "coil_on"]["stamp_int"].to_numpy()
    assert len(begins) == 3
    for begin, end in zip(begins, [*begins[1:], np.inf], strict=True):
        inside = markers[(markers >= begin) & (markers < end)][:4]
        gaps = np.diff(inside)
        assert len(gaps) == 3
        assert len(set(gaps)) == 3
        strikes = on[(on >= begin) & (on < end)]
        assert not len(strikes) or inside[-1] < strikes[0]


def test_recording_covers_the_strikes(tmp_path: Path) -> None:
    """The audio runs from before the first strike to after the last burst's end."""
    run_short(tmp_path / "run")
    truth = truth_of(tmp_path / "run")
    clocks = truth["clocks"]
    frames = RunReader.open(tmp_path / "run").audio.frame_count
    end_s = clocks["audio_start_s"] + frames * clocks["audio_step_s"]
    assert clocks["audio_start_s"] < min(pulse["on_s"] for pulse in truth["pulses"])
    # the silent tail of 300 ms, and the idle stage of 1.5 s
    assert end_s > max(pulse["off_s"] for pulse in truth["pulses"]) + 1.8


def test_notes_of_the_record_are_those_of_the_module(tmp_path: Path) -> None:
    """Bytes stamped by the board parse to the notes that the module really sent, to 10 us."""
    result = run_short(tmp_path / "run")
    events = RunReader.open(tmp_path / "run").events
    truth = truth_of(tmp_path / "run")
    din = events[events["kind"] == "din_byte"]
    notes = parse_notes(din["value"], din["stamp_int"], byte_time=640)
    sent = [note for note in truth["notes"] if note["velocity"] > 0]
    assert len(sent) > 30
    assert notes.velocity[notes.on].tolist() == [note["velocity"] for note in sent]
    clocks = truth["clocks"]
    rate = 2e6 * (1 + clocks["board_ppm"] * 1e-6)
    ends_s = notes.end[notes.on] / rate + clocks["board_start_s"]
    np.testing.assert_allclose(ends_s, [note["end_s"] for note in sent], atol=10e-6)
    assert result.progress.notes == len(sent)


def test_clock_pairs_hold_their_bounds(tmp_path: Path) -> None:
    """Each host-board pair is right to within the bound that it states."""
    run_short(tmp_path / "run")
    events = RunReader.open(tmp_path / "run").events
    clocks = truth_of(tmp_path / "run")["clocks"]
    pairs = events[events["kind"] == "clock_pair"]
    assert len(pairs) > 10
    rate = 2e6 * (1 + clocks["board_ppm"] * 1e-6)
    true_ticks = (pairs["stamp_int"] * 1e-9 - clocks["board_start_s"]) * rate
    off_ns = np.abs(pairs["ticks"] - true_ticks) * 500
    assert (off_ns <= pairs["bound_ns"] + 500).all()


def test_same_seed_gives_the_same_run(tmp_path: Path) -> None:
    """Two runs of one seed record the same events and samples."""
    for name in ("one", "two"):
        run_short(tmp_path / name, "seed=7")
    one, two = (tmp_path / name for name in ("one", "two"))
    assert (one / "events.jsonl").read_bytes() == (two / "events.jsonl").read_bytes()
    assert (one / "sensor.wav").read_bytes() == (two / "sensor.wav").read_bytes()


def test_burst_longer_than_the_queue_is_fed_while_it_runs(tmp_path: Path) -> None:
    """420 strikes in one burst over a queue of 256: all struck, none late."""
    result = run_short(tmp_path / "run", protocol=LONG_ROLL)
    assert result.outcome == "complete"
    reader = check_true(tmp_path / "run")
    assert len(reader.plan.strikes) == 420
    assert (reader.events["kind"] == "burst_begin").sum() == 1


def test_prompts_are_shown_in_order_with_the_board_disarmed(tmp_path: Path) -> None:
    """A prompt comes before its stage, and never while the board is armed."""
    shown: list[tuple[str, str]] = []
    states: list[Progress] = []

    def prompt(text: str) -> None:
        shown.append((text, states[-1].state))

    result = run_short(tmp_path / "run", prompt=prompt, progress=states.append)
    assert result.outcome == "complete"
    assert shown == [("Clamp the pad.", "ready"), ("Turn the pad by a quarter.", "ready")]


def test_guard_may_be_opened_during_a_prompt(tmp_path: Path) -> None:
    """The pad is changed with the guard open: no trip; closed again, the run goes on.

    The bench's virtual time follows the person's while a prompt is shown.
    """
    query = "seed=1&guard_at_s=0.1&guard_close_at_s=0.2"
    result = run_short(tmp_path / "run", query, prompt=lambda _: time.sleep(0.4))
    assert result.outcome == "complete"
    events = check_true(tmp_path / "run").events
    guard = events[(events["kind"] == "interlock") & (events["value"] % 128 == 1)]
    assert guard["value"].tolist() == [1, 129]


def test_progress_counts_up_to_the_end(tmp_path: Path) -> None:
    """Stages, strikes and impacts only ever grow, and end where the plan ends."""
    seen: list[Progress] = []
    run_short(tmp_path / "run", progress=seen.append)
    assert [p.strikes_done for p in seen] == sorted(p.strikes_done for p in seen)
    assert list(dict.fromkeys(p.stage for p in seen)) == ["singles", "rolls", "silence"]
    last = seen[-1]
    assert (last.doing, last.strikes_done, last.bursts_done) == ("done", 36, 3)
    assert last.impacts == 36
    assert {"armed", "striking"} <= {p.state for p in seen}


def test_search_chooses_its_bursts(tmp_path: Path) -> None:
    """A search sees what came of the bursts so far; bursts it leaves out are said to be."""
    seen: list[SoFar] = []
    protocol = SHORT.replace('prompt = "Turn the pad by a quarter."', "rest_ms = 200")

    def choose(so_far: SoFar) -> int | None:
        seen.append(so_far)
        return {0: 1, 1: 0}.get(len(so_far.struck))

    prepared = prepare(files(protocol))
    result = run(prepared, tmp_path / "run", next_burst=choose)
    assert result.outcome == "complete"
    reader = RunReader.open(tmp_path / "run")
    begun = reader.events[reader.events["kind"] == "burst_begin"]["value"].tolist()
    assert begun == [1, 0]
    assert [len(one.struck) for one in seen] == [0, 1, 2]
    rolls = prepared.plan.strikes.query("burst == 1")["strike"]
    assert set(rolls) <= set(seen[-1].strike_ticks)
    assert any("left out" in text for text in reader.events["text"])


def test_search_that_repeats_itself_is_stopped(tmp_path: Path) -> None:
    """A burst can be struck once: its strikes have one row each."""
    result = run(prepare(files()), tmp_path / "run", next_burst=lambda _: 0)
    assert result.outcome == "failed"
    assert "burst 0" in result.reason


def test_hot_coil_is_waited_for(tmp_path: Path) -> None:
    """A coil still hot from before makes the run wait, and say so; then it goes on."""
    budget = 0.12 * 2e6 * 240  # duty, ticks a second, thermal time constant of the bench file
    seen: list[Progress] = []
    result = run_short(tmp_path / "run", f"seed=1&heat_ticks={budget:.0f}", progress=seen.append)
    assert result.outcome == "complete"
    assert any("cool" in p.doing for p in seen)
    check_true(tmp_path / "run")
