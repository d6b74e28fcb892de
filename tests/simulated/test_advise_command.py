"""``strikebench advise`` on whole runs: settings, causes, sensor and recovery map, on its page too."""

from __future__ import annotations

import math
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import struck
from typed import Typed

from analysis.evidence import gather, recovery_of, why
from analysis.pipeline import analyse_run
from analysis.report.advice_page import write_advice_page
from rig.record.bench_fault import BenchError

RUN = """format = 1
name = "<b>for advice</b>"
purpose = "A ladder, and pairs"
[[stage]]
name = "silence"
pattern = "idle"
duration_s = 2
[[stage]]
name = "ladder"
pattern = "single"
strikers = ["A", "B"]
forces_n = [2, 5, 12, 30]
repeats = 6
interval_ms = 180
[[stage]]
name = "pairs"
pattern = "flam"
strikers = ["A", "B"]
gaps_ms = [10, 18, 30, 45]
level_differences_db = [-12, -6, 0]
repeats = 2
force_n = 12
"""
IDLE = """format = 1
name = "idle"
purpose = "Nothing"
[[stage]]
name = "silence"
pattern = "idle"
duration_s = 2
"""
SETTINGS = {
    "gain_db": 0.0,
    "threshold_percent": 1.2,
    "peak_window_ms": 2.0,
    "dead_time_ms": 5.0,
    "release_ms": 22.0,
    "curve_exponent": 1.0,
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run on a pad with two sensors, with a dead time that doubles."""
    path = tmp_path_factory.mktemp("advise") / "run"
    struck.record(RUN, path, pad="loam-mesh-rim", settings=SETTINGS)
    return path


def command(*arguments: str) -> subprocess.CompletedProcess[str]:
    """Run the command as a person would."""
    return subprocess.run(
        [sys.executable, "-m", "rig.cli.main", "advise", *arguments],
        capture_output=True,
        text=True,
        check=False,
        env=os.environ | {"COLUMNS": "80"},
    )


def test_the_command_tells_and_writes_all(folder: Path) -> None:
    """Settings with both sides, causes with what avoids them, the sensor; a page beside the run."""
    done = command(str(folder), "--front")
    assert done.returncode == 0, done.stderr
    for said in (
        "peak window", "dead time", "less ", "more ", "late peak beyond the dead time",
        "avoided by dead time", "mains line at 50 Hz", "decay by 60 dB", "by force:", "today",
    ):  # fmt: skip
        assert said in done.stdout, said
    assert "nan" not in done.stdout
    lines = done.stdout.splitlines()
    tables = [line for line in lines if len(re.split(r" {2,}", line.strip())) >= 3]
    assert len(tables) > 20
    assert max(len(line) for line in tables) <= 80
    assert (folder / "analysis" / "advice.html").is_file()


def test_the_page_holds_every_section(folder: Path) -> None:
    """Names are escaped, pictures stand inside, and each section has its table."""
    found = gather(analyse_run(folder))
    text = write_advice_page(found)
    assert "<b>for advice</b>" not in text
    assert "http" not in text
    for heading in (
        "Settings to start from", "What breaks on either side", "Trade-offs",
        "What went wrong, and why", "Recovery map", "The sensor itself",
    ):  # fmt: skip
        assert f"<h2>{heading}</h2>" in text
    # two fronts, a picture for each cause, the map, the sensor
    causes = found.explained.groupby(["kind", "cause"]).ngroups
    assert text.count("data:image/png;base64,") == 4 + causes
    assert ">nan" not in text


def test_the_map_follows_what_was_set(folder: Path) -> None:
    """Strokes much softer are caught later than strokes alike, by the release that was set."""
    recovery = recovery_of(analyse_run(folder).table.strokes)
    assert recovery is not None
    half = recovery.contour(0.5)
    softer_ms = SETTINGS["release_ms"] * 12.0 * math.log(10.0) / 20.0
    assert half.gap_ms[-1] < 18.0
    assert half.low_ms[0] < SETTINGS["dead_time_ms"] + softer_ms < half.high_ms[0] + 8.0
    assert half.gap_ms[0] > half.gap_ms[-1] + 8.0


def test_notes_that_were_cut_off_are_not_called_lost(folder: Path, tmp_path: Path) -> None:
    """Of a record whose events end before its sound, what the rest did is not told."""
    cut = shutil.copytree(folder, tmp_path / "cut")
    events = (cut / "events.jsonl").read_bytes()
    (cut / "events.jsonl").write_bytes(events[: len(events) // 2])
    found = analyse_run(cut)
    unexplained = found.table.strokes["strike"] < 0
    assert unexplained.sum() > 10
    assert set(why(found)["stroke"]).isdisjoint(found.table.strokes["stroke"][unexplained])


def test_what_lacks_strokes_is_refused_in_a_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """An idle run gives a sentence and no page; so does a greatest gain below the least."""
    struck.record(IDLE, tmp_path / "idle")
    with pytest.raises(BenchError, match="no onset on the sensor channel"):
        gather(analyse_run(tmp_path / "idle"))
    monkeypatch.setenv("COLUMNS", "80")
    words = ("advise", "idle", "--least-gain-db", "3", "--most-gain-db", "1")
    done = Typed(monkeypatch, capsys)(*words, cwd=tmp_path)
    assert done.returncode not in (0, 1)
    assert "Traceback" not in done.stderr
    assert "above the greatest" in done.stderr
    words = ("advise", "idle", "--least-gain-db", "nan", "--false-per-h", "inf")
    done = Typed(monkeypatch, capsys)(*words, cwd=tmp_path)
    assert done.returncode == 2
    assert "--least-gain-db is nan; a finite number is wanted" in " ".join(done.stderr.split())
    assert "--false-per-h is inf" in " ".join(done.stderr.split())
    assert not (tmp_path / "idle" / "analysis" / "advice.html").exists()


def test_places_of_two_runs_are_compared(folder: Path, tmp_path: Path) -> None:
    """Runs at other places give the level over strike position; the same place twice is refused."""
    text = struck.SPECIMEN.replace("strike_position = 0.3", "strike_position = 0.8")
    before, struck.SPECIMEN = struck.SPECIMEN, text
    try:
        struck.record(RUN, tmp_path / "edge", pad="loam-mesh-rim", settings=SETTINGS, seed=2)
    finally:
        struck.SPECIMEN = before
    here, edge = analyse_run(folder), analyse_run(tmp_path / "edge")
    table = gather(here, elsewhere=[edge]).positions
    assert list(table["position"]) == [0.3, 0.8]
    assert (table["low"] < table["high"]).all()
    with pytest.raises(BenchError, match="different strike_position"):
        gather(here, elsewhere=[here])
