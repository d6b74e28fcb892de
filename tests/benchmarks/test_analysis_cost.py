"""What the analysis costs in time and memory: ratios within one run, never the clock on the wall."""

from __future__ import annotations

import importlib.resources
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from rig.preparation import prepare
from rig.run_files import RunFiles
from rig.runner import run

HERE = Path(__file__).parent


def struck(folder: Path, strokes: int) -> Path:
    """Record so many strokes, a quarter of a second apart, at 96 kHz on two channels."""
    text = f"""format = 1
name = "cost"
purpose = "how long the analysis takes"
[[stage]]
name = "strokes"
pattern = "single"
forces_n = [2, 5, 12, 30]
order = "shuffled"
repeats = {strokes // 4}
interval_ms = 250
"""
    root = importlib.resources.files("protocols")
    bench = (root / "benches" / "simulated.toml").read_text("utf-8")
    specimen = (root / "specimens" / "good_build.toml").read_text("utf-8")
    files = RunFiles.from_texts(text, bench, specimen)
    run(prepare(files), folder)
    return folder


def cost(folder: Path) -> dict[str, float]:
    """Cost of analysing a run on one processor, as a process of its own measures it."""
    done = subprocess.run(
        [sys.executable, str(HERE / "analysis_run.py"), str(folder)],
        check=True,
        capture_output=True,
        text=True,
        env=os.environ | {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"},
    )
    figures: dict[str, float] = json.loads(done.stdout)
    return figures


@pytest.fixture(scope="module")
def costs(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, float], dict[str, float]]:
    """Costs of a short run and of one four times as long."""
    folder = tmp_path_factory.mktemp("cost")
    return cost(struck(folder / "short", 60)), cost(struck(folder / "long", 240))


def test_time_grows_no_faster_than_the_run(costs: tuple[dict[str, float], ...]) -> None:
    """Four times the strokes take at most five times as long."""
    short, long = costs
    assert long["strokes"] == 4 * short["strokes"]
    assert long["analysis_s"] < 5.0 * short["analysis_s"] * long["duration_s"] / (
        4.0 * short["duration_s"]
    )


def test_memory_is_flat_in_the_length(costs: tuple[dict[str, float], ...]) -> None:
    """45 s more of two channels would be 35 MB as float32; at most half of that may be held."""
    short, long = costs
    more_s = long["duration_s"] - short["duration_s"]
    samples_kb = more_s * 96_000 * 2 * 4 / 1024
    assert long["peak_kb"] - short["peak_kb"] < 0.5 * samples_kb


def test_cost_over_the_least_that_could_be_done(costs: tuple[dict[str, float], ...]) -> None:
    """Reading, finding, refining and matching cost at most 40 passes of magnitude and maxima.

    One such pass runs some 2,700 times faster than real time at 96 kHz on two channels, so that
    200 times real time is about 13 passes; the rest is room for a busy machine.
    """
    _, long = costs
    assert long["analysis_s"] < 40.0 * long["floor_s"]


@pytest.mark.long
def test_two_thousand_strokes(tmp_path: Path) -> None:
    """The agreed size: 2,000 strokes at 96 kHz; the figures are printed beside the demand."""
    figures = cost(struck(tmp_path / "run", 2000))
    times = figures["duration_s"] / figures["wall_s"]
    passes = figures["analysis_s"] / figures["floor_s"]
    print(f"{times:.0f} times real time; {passes:.1f} passes; {figures['peak_kb'] / 1024:.0f} MB")
    assert figures["strokes"] == 2000
    assert figures["analysis_s"] < 40.0 * figures["floor_s"]
