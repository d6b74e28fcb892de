"""Runs killed at any moment: every one is readable, and none is called complete."""

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from rig.record.record_error import RecordError
from rig.record.recovery_copy import recover_copy
from rig.record.run_folder import RunReader, verify

DEMO = Path(__file__).parents[3] / "protocols" / "demo.toml"


def protocols(folder):
    """Give the demo thrice: all of its sound kept, windows of it, and all of it in FLAC."""
    made = [DEMO]
    for name, line in (("windows", 'keep = "windows"'), ("flac", 'coding = "flac"')):
        path = folder / f"{name}.toml"
        path.write_text(f"{DEMO.read_text('utf-8')}\n[record]\n{line}\n", "utf-8")
        made.append(path)
    return made


def wait_for_strokes(folder, process):
    """Wait until the first strokes are on the disk: they come there burst by burst."""
    events = folder / "events.jsonl"
    while process.poll() is None:
        if events.exists() and b"coil_on" in events.read_bytes():
            return
        time.sleep(0.002)


def start_run(folder, protocol):
    """Start a run on the simulated bench in a process of its own; wait for its start record."""
    command = [sys.executable, "-m", "rig.cli.main", "run", str(protocol)]
    command += ["--specimen", "good_build", "--quiet", "--out", str(folder)]
    process = subprocess.Popen(
        command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, stdin=subprocess.DEVNULL
    )
    end = time.monotonic() + 60
    while not (folder / "start.json").exists():
        if process.poll() is not None or time.monotonic() > end:
            process.kill()
            pytest.fail(f"the run did not start: {process.communicate()[1].decode()}")
        time.sleep(0.001)
    return process


def longest_s(folder):
    """How long an undisturbed run takes from its start record to its stop record."""
    process = start_run(folder, DEMO)
    begun_s = ended_s = time.monotonic()
    while process.poll() is None:
        if not (folder / "stop.json").exists():
            ended_s = time.monotonic()
        time.sleep(0.001)
    assert process.returncode == 0, process.communicate()[1].decode()
    process.stderr.close()
    assert RunReader.open(folder).status == "complete"
    return ended_s - begun_s


def check_killed_runs(tmp_path, kills):
    """Kill runs at random moments and look at what is left of each."""
    rng = random.Random(17)
    whole_s = longest_s(tmp_path / "whole")
    cut = struck = 0
    made = protocols(tmp_path)
    for number in range(kills):
        folder = tmp_path / f"run{number}"
        process = start_run(folder, made[number % len(made)])
        if number < len(made):
            wait_for_strokes(folder, process)
        else:
            time.sleep(rng.uniform(0, 0.9) * whole_s)
        process.send_signal(signal.SIGKILL)
        process.communicate()
        had_ended = (folder / "stop.json").exists()
        before = {name: (folder / name).read_bytes() for name in os.listdir(folder)}
        if not (folder / "events.jsonl").exists():
            continue  # killed between the start record and the first event: nothing was struck
        run = RunReader.open(folder)
        if had_ended:
            assert run.status == "complete"
            assert verify(folder) == []
            with pytest.raises(RecordError, match="nothing to recover"):
                recover_copy(folder, tmp_path / f"copy{number}")
            continue
        cut += 1
        assert run.status == "incomplete"
        assert any("incomplete" in fault for fault in verify(folder))
        struck += int((run.events["kind"] == "coil_on").sum() > 0)
        copy = tmp_path / f"copy{number}"
        found = recover_copy(folder, copy)
        again = RunReader.open(copy)
        assert again.status == found.status == "incomplete"
        assert len(again.events) == len(run.events) == found.events
        name = run.start.audio.file_name
        if (folder / name).exists():
            # Another library reads the copy's recording, with the same samples.
            samples, _ = soundfile.read(copy / name, dtype="float32", always_2d=True)
            pieces = [block for _, block in run.audio.blocks()]
            assert len(samples) == sum(len(block) for block in pieces)
            assert not pieces or np.array_equal(samples, np.concatenate(pieces))
            assert again.audio.frame_count == run.audio.frame_count
        # The raw data is never touched.
        assert before == {name: (folder / name).read_bytes() for name in os.listdir(folder)}
    assert cut >= kills // 2
    assert struck >= 2


def test_ten_killed_runs(tmp_path):
    """Ten kills at random moments, of runs that keep all, windows only, and all in FLAC."""
    check_killed_runs(tmp_path, 10)


@pytest.mark.long
def test_fifty_killed_runs(tmp_path):
    """Fifty kills at random moments, of runs that keep all, windows only, and all in FLAC."""
    check_killed_runs(tmp_path, 50)
