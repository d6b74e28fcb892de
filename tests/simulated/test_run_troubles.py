"""Runs that end early, or go on over a bad line: every record is true as far as it goes."""

from __future__ import annotations

import contextlib
import threading
from pathlib import Path

import pytest
from bench_runs import LONG_ROLL, check_true, fault_of, run_short, truth_of
from full_disk import largest_file

from rig.progress import Progress
from rig.record.bench_fault import BenchError
from rig.record.midi_bytes import parse_notes
from rig.record.record_error import RecordError
from rig.record.run_folder import RunReader


def test_guard_left_open_after_a_prompt_ends_the_run(tmp_path: Path) -> None:
    """Confirmed with the guard open: the run fails, and names it; nothing is struck."""
    result = run_short(tmp_path / "run", "seed=1&guard_at_s=0.1", prompt=lambda _: None)
    assert result.outcome == "failed"
    assert "guard" in result.reason
    assert result.progress.strikes_done == 0


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


def test_a_host_that_loads_too_slowly_ends_the_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Strikes that are never loaded in time are not begun: the run fails, and says what to do."""
    monkeypatch.setattr("rig.striking._LEAST_LEAD_S", 60.0)
    result = run_short(tmp_path / "run", "seed=1")
    assert result.outcome == "failed"
    assert fault_of(tmp_path / "run")["code"] == "refusal.in_the_past"
    assert result.progress.strikes_done == 0


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
