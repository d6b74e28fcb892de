"""A run from files to record on the simulated bench, and every way in which it may end early."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from bench_runs import (
    LONG_ROLL,
    SHORT,
    board_of,
    check_true,
    fault_of,
    faults_of,
    files,
    run_short,
    truth_of,
)

from rig.faults import RefusedError, TrippedError
from rig.preparation import prepare
from rig.progress import Progress
from rig.record.bench_fault import BadFileError, BenchError
from rig.record.midi_bytes import parse_notes
from rig.record.plan import PlanError
from rig.record.record_error import RecordError
from rig.record.run_folder import RunReader
from rig.run_files import read_files
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


def test_guard_left_open_after_a_prompt_ends_the_run(tmp_path: Path) -> None:
    """Confirmed with the guard open: the run fails, and names it; nothing is struck."""
    result = run_short(tmp_path / "run", "seed=1&guard_at_s=0.1", prompt=lambda _: None)
    assert result.outcome == "failed"
    assert "guard" in result.reason
    assert result.progress.strikes_done == 0


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


@pytest.mark.parametrize(
    ("query", "part"),
    [("estop_pressed=1", "e-stop"), ("guard_open=1", "guard"), ("supply_mv=0", "supply")],
)
def test_open_interlock_at_the_start_makes_no_run(tmp_path: Path, query: str, part: str) -> None:
    """Nothing is struck and no folder is made; the error names the interlock."""
    with pytest.raises(RefusedError, match=part):
        run_short(tmp_path / "run", query)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("query", "codes"),
    [
        ("estop_at_s=2", {"trip.estop_open"}),
        ("guard_at_s=2", {"trip.guard_open"}),
        ("supply_fails_at_s=2", {"trip.supply"}),
        ("coil_stuck_at_s=2", {"trip.coil_on_unasked"}),
        ("coil_dead_at_s=1.2", {"trip.coil_dead"}),
        ("timer_stuck_at_s=1.2", {"trip.on_time"}),
        ("unplug_at_s=2", {"host.link_lost"}),
        ("reset_at_s=2", {"host.board_reset"}),
        ("hang_at_s=2", {"host.board_reset"}),
    ],
)
def test_trouble_in_a_burst_ends_the_run_as_failed(
    tmp_path: Path, query: str, codes: set[str]
) -> None:
    """Trips, a pulled cable, a reset: failed, with reason and fault bundle; the record is true."""
    result = run_short(tmp_path / "run", f"seed=1&{query}")
    assert result.outcome == "failed"
    reader = check_true(
        tmp_path / "run",
        ends_overdue=query.startswith("timer_stuck"),
        dead=query.startswith("coil_dead"),
    )
    assert reader.status == "failed"
    assert 0 < result.progress.strikes_done < len(reader.plan.strikes)
    bundle = fault_of(tmp_path / "run")
    assert bundle["code"] in codes
    assert bundle["remedy"]
    assert bundle["last_frames"]
    assert bundle["where"]["stage"] in ("singles", "rolls")
    # coils off: no pulse of the truth begins later than the host's silence after the trouble
    at_s = float(query.split("=")[1])
    assert max(pulse["on_s"] for pulse in truth_of(tmp_path / "run")["pulses"]) < at_s + 0.6


@pytest.mark.parametrize("seed", range(4))
def test_bad_serial_line_gives_a_true_record_or_none(tmp_path: Path, seed: int) -> None:
    """1 byte in 1,000 flipped, lost or doubled both ways: the record is as without errors."""
    result = run_short(tmp_path / "run", f"seed={seed}&serial_error_rate=0.001")
    reader = check_true(tmp_path / "run")
    assert result.outcome == "complete"
    assert any("requests sent again" in text for text in reader.events["text"])
    sent = [note for note in truth_of(tmp_path / "run")["notes"] if note["velocity"] > 0]
    din = reader.events[reader.events["kind"] == "din_byte"]
    notes = parse_notes(din["value"], din["stamp_int"])
    assert notes.velocity[notes.on].tolist() == [note["velocity"] for note in sent]


@pytest.mark.parametrize("rate", [0.01, 0.03])
@pytest.mark.parametrize("seed", range(2))
def test_very_bad_serial_line_never_gives_a_wrong_record(
    tmp_path: Path, seed: int, rate: float
) -> None:
    """Lines too bad to work over end the run, before or in it; what is recorded is true."""
    with contextlib.suppress(BenchError):
        result = run_short(tmp_path / "run", f"seed={seed}&serial_error_rate={rate}")
        reader = check_true(tmp_path / "run")
        assert reader.status == result.outcome
        assert (result.outcome == "failed") == (tmp_path / "run" / "fault.json").exists()


def test_long_burst_over_a_bad_line_stays_true(tmp_path: Path) -> None:
    """Feeding a burst while it runs survives resent loads: nothing is struck twice."""
    result = run_short(tmp_path / "run", "seed=3&serial_error_rate=0.001", protocol=LONG_ROLL)
    assert result.outcome == "complete"
    check_true(tmp_path / "run")


def test_stop_disarms_first_and_closes_as_stopped(tmp_path: Path) -> None:
    """Asked to stop in a roll: no strike after it, the record closed as stopped, in safe order."""
    stop = threading.Event()

    def watch(progress: Progress) -> None:
        if progress.strikes_done >= 20:
            stop.set()

    result = run_short(tmp_path / "run", progress=watch, stop=stop)
    assert result.outcome == "stopped"
    assert result.progress.state == "ready"
    reader = check_true(tmp_path / "run")
    assert reader.status == "stopped"
    states = reader.events[reader.events["kind"] == "state"]["value"].tolist()
    assert states[-1] == 1  # ready
    assert 20 <= result.progress.strikes_done < 36


def test_interrupt_closes_as_stopped(tmp_path: Path) -> None:
    """Ctrl-C anywhere in the loop is a stop like any other."""

    def interrupt(progress: Progress) -> None:
        if progress.strikes_done >= 10:
            raise KeyboardInterrupt

    result = run_short(tmp_path / "run", progress=interrupt)
    assert result.outcome == "stopped"
    assert check_true(tmp_path / "run").status == "stopped"


def test_fault_of_the_program_itself_is_not_hidden(tmp_path: Path) -> None:
    """An error nobody foresaw: coils off, the run failed, and the error goes on."""

    def broken(progress: Progress) -> None:
        if progress.strikes_done >= 10:
            raise ZeroDivisionError("of the test")

    with pytest.raises(ZeroDivisionError):
        run_short(tmp_path / "run", progress=broken)
    assert RunReader.open(tmp_path / "run").status == "failed"
    assert fault_of(tmp_path / "run")["code"] == "ZeroDivisionError"
    assert fault_of(tmp_path / "run")["state"] == "ready"


@contextlib.contextmanager
def largest_file(size_bytes: int) -> Iterator[None]:
    """The kernel's limit on file size stands for the full disk."""
    resource = pytest.importorskip("resource", reason="no limit on file size on this system")
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size_bytes, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_full_disk_ends_the_run_as_failed(tmp_path: Path) -> None:
    """The recording finds no room: coils off, failed, what was recorded kept."""
    with largest_file(1_500_000):
        result = run_short(tmp_path / "run")
    assert result.outcome == "failed"
    assert isinstance(result.error, RecordError)
    assert result.progress.state == "ready"
    assert check_true(tmp_path / "run").status == "failed"


def test_lost_audio_is_padded_and_told(tmp_path: Path) -> None:
    """A block that the interface lost stands as zeros, with an event that says where."""
    run_short(tmp_path / "run", "seed=1&drop_audio_at_s=1.5")
    reader = RunReader.open(tmp_path / "run")
    gaps = reader.events[reader.events["kind"] == "audio_gap"]
    (first,), (lost,) = gaps["stamp_int"].tolist(), gaps["value"].tolist()
    assert lost == 4096
    samples = reader.audio.window(first - 1, lost + 2)
    assert not samples[1:-1].any()
    assert samples[0].any()
    assert samples[-1].any()
    whole = run_short(tmp_path / "whole", "seed=1")
    frames = RunReader.open(whole.path).audio.frame_count
    assert abs(reader.audio.frame_count - frames) <= 4096


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


def test_existing_folder_is_left_alone(tmp_path: Path) -> None:
    """Runs are never overwritten."""
    (tmp_path / "run").mkdir()
    with pytest.raises(RecordError, match="never"):
        run_short(tmp_path / "run")
    assert list((tmp_path / "run").iterdir()) == []


def test_earlier_trip_takes_a_person(tmp_path: Path) -> None:
    """A board found tripped is reset only after someone has confirmed; unattended it is refused."""
    from rig.board import Board
    from rig.readiness import get_ready
    from rig.record.bench_file import BoardPort
    from rig.record.limits import limits_from_bench

    bench = files().bench
    board = Board.open(BoardPort(port="sim://board"))
    get_ready(board, limits_from_bench(bench), None)
    board.arm(1000)
    board.port.twin.set_input("reset", 0)  # type: ignore[attr-defined]
    again = Board.__new__(Board)
    again.__init__(board.port, board.clock, board._requester, board.trace)  # type: ignore[misc]
    with pytest.raises(TrippedError, match="reset while it was armed"):
        get_ready(again, limits_from_bench(bench), None)
    asked: list[str] = []
    get_ready(again, limits_from_bench(bench), asked.append)
    assert len(asked) == 1
    assert again.state.name == "READY"


def test_faults_of_all_three_files_come_at_once(tmp_path: Path) -> None:
    """A broken protocol, bench and specimen: one error with the faults of each."""
    for name in ("protocol", "bench", "specimen"):
        (tmp_path / f"{name}.toml").write_text("format = 9\n")
    with pytest.raises(BadFileError) as caught:
        read_files(*(tmp_path / f"{name}.toml" for name in ("protocol", "bench", "specimen")))
    for name in ("protocol", "bench", "specimen"):
        assert f"{name}.toml" in str(caught.value)


def test_plan_beyond_the_strikers_is_refused_before_hardware() -> None:
    """Too hard and too fast: told in preparation, all at once, with no port opened."""
    protocol = SHORT.replace("[3, 12]", "[3, 9000]").replace("[16, 20]", "[16, 200]")
    with pytest.raises(PlanError) as caught:
        prepare(files(protocol, "nonsense=1"))
    assert "singles" in str(caught.value)
    assert "rolls" in str(caught.value)
