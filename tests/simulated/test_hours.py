"""Hours of capture: memory stays flat, and nothing is lost."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from analysis.load import MARKER_WIDTHS_US
from analysis.marker import MarkerFinder
from rig.record.audio_file import BYTES_PER_SAMPLE
from rig.record.run_folder import RunReader, verify

MOST_GROWTH_MB = 10.0
AUDIO_PPM = 18.0
"""Error of the simulated interface's clock."""
SETTLED = 3
"""Minutes after which all that is kept has been made."""
RATE_HZ, CHANNELS = 96_000, 2
SPARE_BYTES = 2e9
"""Room for events and index, and left to others."""


def check_capture(folder: Path, hours: float, keep: str) -> list[float]:
    """Capture so long in a process of its own; look at memory and record."""
    program = Path(__file__).with_name("capture_hours.py")
    done = subprocess.run(
        [sys.executable, str(program), str(folder), str(hours), keep],
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": str(program.parents[2])},
    )
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    memory: list[float] = told["resident_mb"]
    assert len(memory) >= round(hours * 60) - 1
    assert max(memory[SETTLED:]) - memory[SETTLED] < MOST_GROWTH_MB, memory
    assert verify(folder) == []
    run = RunReader.open(folder)
    assert not (run.events["kind"] == "audio_gap").any()
    rate = run.audio.sample_rate_hz
    # the last block was not full yet
    passed_s = told["seconds"] * (1 + AUDIO_PPM * 1e-6)
    assert 0 <= passed_s - run.audio.frame_count / rate < 0.1
    assert (run.events["kind"] == "coil_on").sum() == told["strokes"]
    finder = MarkerFinder(rate, MARKER_WIDTHS_US)
    heard_to = 0
    for first, samples in run.audio.blocks():
        if first > heard_to:
            finder.pass_over(first - heard_to)
        heard_to = first + len(samples)
        finder.feed(samples[:, run.audio.roles["marker"]])
    edges = finder.finish()
    assert len(edges) == told["strokes"]
    np.testing.assert_allclose(np.diff(edges.frame) / rate, 0.5, atol=2e-5)
    return memory


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="no figures of memory here")
@pytest.mark.parametrize("keep", ["all", "windows"])
def test_minutes_of_capture(tmp_path: Path, keep: str) -> None:
    """Eight minutes, both ways to keep the sound."""
    check_capture(tmp_path / "run", 8 / 60, keep)


@pytest.mark.long
@pytest.mark.timeout(7200)
@pytest.mark.parametrize("keep", ["all", "windows"])
def test_eight_hours_of_capture(tmp_path: Path, keep: str) -> None:
    """Eight hours; 17 GB on the disk where all is kept, and gone when the test ends."""
    share = 1.0 if keep == "all" else 0.5
    needed = share * 8 * 3600 * RATE_HZ * CHANNELS * BYTES_PER_SAMPLE + SPARE_BYTES
    free = shutil.disk_usage(tmp_path).free
    if free < needed:
        pytest.skip(f"{free / 1e9:.1f} GB are free in {tmp_path}; {needed / 1e9:.1f} GB are needed")
    try:
        memory = check_capture(tmp_path / "run", 8.0, keep)
    finally:
        shutil.rmtree(tmp_path / "run", ignore_errors=True)
    print(f"{keep}: {memory[SETTLED]:.1f} MB, then {min(memory):.1f} to {max(memory):.1f} MB")
