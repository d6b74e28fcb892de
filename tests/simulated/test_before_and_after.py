"""Builds compared by whole runs on the simulated bench, each with strikers and noise of its own."""

from __future__ import annotations

import collections
import json
import math
import subprocess
import sys
from pathlib import Path

import pytest
import typer
from struck import strike
from typed import Typed

from analysis.alike import facts_of
from analysis.compare import ALWAYS, Comparison, compare
from analysis.pipeline import Analysis
from rig.cli.compare import compare as compare_command
from rig.cli.qualify import qualify as qualify_command
from rig.record.bench_fault import BenchError

LADDER = """format = 1
name = "before and after"
purpose = "Single strokes, soft to hard"
[[stage]]
name = "ladder"
pattern = "single"
strikers = ["A", "B"]
forces_n = [2, 2.5, 3, 3.5, 4, 5, 6, 7, 8, 9, 10, 14]
order = "shuffled"
repeats = {repeats}
interval_ms = 110
[[margin]]
measure = "latency_median"
within_ms = 0.5
[[margin]]
measure = "double_share"
within_percent = 2
"""
PER_REPEAT = 24

BUILDS: dict[str, dict[str, object]] = {
    "same": {},
    "0.5 ms slower": {"firmware": "1.6"},
    # its dead time ends just before the late peak: of the hardest strokes about one in four
    # doubles, 2.3 in 100 of all; from 9.72 ms on, none does
    "2 % more doubling": {"settings": {"dead_time_ms": 9.71}},
}


def pair(
    folder: Path, seed: int, build: str, strokes: int, measures: tuple[str, ...] = ALWAYS
) -> Comparison:
    """Strike the build before and another one, each with a seed of its own, and compare."""
    text = LADDER.format(repeats=math.ceil(strokes / PER_REPEAT))
    runs: list[Analysis] = []
    for side, how in enumerate(({}, BUILDS[build])):
        path = folder / f"{build} {seed} {strokes} {side}".replace(" ", "-").replace("%", "")
        runs.append(strike(text, path, seed=2 * seed + side, **how)[0])  # type: ignore[arg-type]
    first, second = (run.recording.reader for run in runs)
    return compare(
        runs[0].table.strokes,
        runs[1].table.strokes,
        facts=(
            facts_of("before", first.bench, first.protocol, first.specimen),
            facts_of("after", second.bench, second.protocol, second.specimen),
        ),
        margins={one.measure: one.value for one in runs[0].protocol.margins},
        measures=measures,
    )


@pytest.mark.parametrize("pairs", [5, pytest.param(500, marks=pytest.mark.long)])
def test_no_change_is_seldom_called_worse(pairs: int, tmp_path: Path) -> None:
    """At most 5 % of pairs without a change are called worse (and 3 standard errors of chance).

    What lies inside its margin is equal, whatever its test says, so that alone would hold with a
    test that is wrong: no more pairs may have a measure that tests as worse, margins aside.
    """
    most = pairs * 0.05 + 3 * math.sqrt(pairs * 0.05 * 0.95)
    found = [pair(tmp_path, 1000 + i, "same", 96) for i in range(pairs)]
    assert sum(one.verdict == "worse" for one in found) <= most
    shown = [[m.name for m in one.measures if m.p_worse <= 0.05] for one in found]
    print("\ntested as worse:", collections.Counter(name for names in shown for name in names))
    assert sum(map(bool, shown)) <= most


@pytest.mark.parametrize("pairs", [1, pytest.param(50, marks=pytest.mark.long)])
@pytest.mark.parametrize(
    ("build", "blamed"),
    [("0.5 ms slower", "latency_median"), ("2 % more doubling", "double_share")],
)
def test_a_worse_build_is_found_at_the_strokes_asked_for(
    build: str, blamed: str, pairs: int, tmp_path: Path
) -> None:
    """A short pilot asks for strokes; with them at least 90 % of pairs are found worse.

    Of the one pair that is struck by default only the measure that is to blame is compared.
    """
    found = 0
    measures = ALWAYS if pairs > 1 else (blamed,)
    for i in range(pairs):
        asked = pair(tmp_path, 5000 + i, build, 72, measures).strokes_needed
        full = pair(tmp_path, 7000 + i, build, max(asked, 72), measures)
        named = next(one for one in full.measures if one.name == blamed)
        found += full.verdict == "worse" and named.verdict == "worse"
    print(f"\n{build}: {found} of {pairs} found")
    # 90 %, less two standard errors of so many pairs
    assert found >= pairs * 0.9 - 2 * math.sqrt(pairs * 0.09)


def command(*words: object, cwd: Path) -> subprocess.CompletedProcess[str]:
    """Run the command line as a person does, on a terminal of 80 columns."""
    program = "from rig.cli.main import main; main()"
    return subprocess.run(
        [sys.executable, "-c", program, *map(str, words)],
        cwd=cwd, capture_output=True, text=True, env=None, check=False,
    )  # fmt: skip


def test_the_command_says_what_changed_and_leaves_a_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code, sentences within 80 columns, page and JSON; unlike runs are refused by name."""
    monkeypatch.setenv("COLUMNS", "80")
    typed = Typed(monkeypatch, capsys)
    text = LADDER.format(repeats=2)
    strike(text, tmp_path / "old", seed=1)
    strike(text, tmp_path / "old2", seed=2)
    strike(text, tmp_path / "new", seed=3, firmware="1.6")
    strike(text, tmp_path / "new2", seed=4, firmware="1.6")
    strike(text, tmp_path / "other", seed=5, firmware="1.5")
    done = command("compare", "old", "new", "new2", "other", "--base-too", "old2", cwd=tmp_path)
    assert done.returncode == 1, done.stderr
    assert "changed: module.firmware: 1.4 -> 1.6" in done.stdout
    assert "new, new2: worse" in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 80
    for word in ("nan", "percent", "e-", "…"):
        assert word not in done.stdout
    record = json.loads((tmp_path / "new" / "analysis" / "comparison.json").read_text())
    assert record["verdict"] == "worse"
    assert [len(one["after"]) for one in record["comparisons"]] == [2, 1]
    latency = record["comparisons"][0]["measures"][0]
    assert latency["count_after"] == 2 * latency["count_before"] / 2
    assert latency["low"] < 0.5 < latency["high"]
    page = (tmp_path / "new" / "analysis" / "comparison.html").read_text()
    assert "module.firmware: 1.4 -&gt; 1.6" in page
    assert "Shown to be worse: latency median" in page
    for words in ("loam-mesh", "brook, firmware 1.6", "simulated bench", "before and after", "UTC"):
        assert words in page
    assert [run["side"] for run in record["runs"]] == ["before", "before", *["after"] * 3]
    assert "the same strokes" not in done.stderr + page

    strike(LADDER.format(repeats=1), tmp_path / "short", seed=6, sample_rate_hz=48_000)
    refused = typed("compare", "old", "short", cwd=tmp_path)
    assert refused.returncode == 2
    assert "stage 'ladder' has repeats 1, not 2" in refused.stderr
    assert "sample_rate_hz differs" in refused.stderr
    assert "{" not in refused.stderr
    allowed = typed(
        "compare", "old", "short", "--allow", "protocol", "--allow", "sample_rate_hz", cwd=tmp_path
    )
    assert allowed.returncode == 3
    assert "allowed although" in allowed.stdout
    assert "strokes on each side would decide" in allowed.stdout
    assert typed("compare", "old", "old", cwd=tmp_path).returncode == 2
    wrong = typed("compare", "old", "new", "--measure", "latncy_median", cwd=tmp_path)
    assert "did you mean 'latency_median'" in wrong.stderr
    asked = ("--margin", "velocity=-1", "--margin", "lost_share", "--allow", "weather")
    wrong = typed("compare", "old", "new", "--measure", "loudness", *asked, cwd=tmp_path)
    assert wrong.returncode == 2
    for part in ("'loudness'", "-1 for velocity", "'lost_share'", "'weather' cannot be allowed"):
        assert part in wrong.stderr


def test_what_decides_nothing_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Runs of the same strokes are named, and never pooled; a run that was cut off decides nothing."""
    text = LADDER.format(repeats=3)
    old, twin, echo = (tmp_path / name for name in ("old", "twin", "echo"))
    strike(text, old, seed=1)
    strike(text, twin, seed=1, firmware="1.6")
    strike(text, echo, seed=1)
    said = f"{old} and {twin}: the same strokes"
    with pytest.raises(typer.Exit):
        compare_command(old, [twin])
    assert said in capsys.readouterr().err
    assert said in (twin / "analysis" / "comparison.html").read_text()
    assert json.loads((twin / "analysis" / "comparison.json").read_text())["cautions"]
    with pytest.raises(BenchError, match="counted twice"):
        compare_command(old, [twin], base_too=[echo])
    qualify_command([old, echo])
    assert f"caution: {old} and {echo}: the same strokes" in capsys.readouterr().out
    with pytest.raises(BenchError, match="the same run, whose readings would count twice"):
        qualify_command([old, old])

    (twin / "stop.json").unlink()
    with pytest.raises(typer.Exit) as left:
        compare_command(old, [twin])
    assert left.value.exit_code == 5
    assert f"{twin}: incomplete" in capsys.readouterr().out
    record = json.loads((twin / "analysis" / "comparison.json").read_text())
    assert record["verdict"] == record["comparisons"][0]["verdict"] == "incomplete"
    assert "INCOMPLETE" in (twin / "analysis" / "comparison.html").read_text()


def test_changes_at_one_force_are_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A velocity curve that changed is worse at a force, said on terminal, page and in the record.

    Stray notes are compared too, and what is not compared is named.
    """
    idle = '[[stage]]\nname = "idle"\npattern = "idle"\nduration_s = 40\n[[margin]]'
    text = LADDER.format(repeats=6).replace("[[margin]]", idle, 1)
    # names of runs stand in the output as they were given
    monkeypatch.chdir(tmp_path)
    old, curve, stray = map(Path, ("old", "curve", "stray"))
    strike(text, old, seed=1, settings={"curve_exponent": 1.0})
    strike(text, curve, seed=2, settings={"curve_exponent": 0.9})
    strike(text, stray, seed=3, settings={"curve_exponent": 1.0}, faults=("stray",))
    with pytest.raises(typer.Exit) as left:
        compare_command(old, [curve])
    assert left.value.exit_code == 1
    said = capsys.readouterr().out
    record = json.loads((curve / "analysis" / "comparison.json").read_text())["comparisons"][0]
    measures = {one["name"]: one for one in record["measures"]}
    velocity = measures["velocity"]
    assert velocity["verdict"] == "worse"
    assert len(velocity["forces"]) == 12
    worst = next(f for f in velocity["forces"] if f["force"] == velocity["changed_most_at"])
    assert worst["verdict"] == "worse"
    assert worst["low"] < worst["difference"] < worst["high"]
    assert f"velocity: worse at {worst['force']}" in said
    assert f"at {worst['force']}" in (curve / "analysis" / "comparison.html").read_text()
    assert "velocity_spread" in record["not_compared"]
    assert "velocity spread" in " ".join(said.split())
    assert max(map(len, said.splitlines())) <= 80
    with pytest.raises(typer.Exit):
        compare_command(old, [stray])
    record = json.loads((stray / "analysis" / "comparison.json").read_text())["comparisons"][0]
    rate = next(one for one in record["measures"] if one["name"] == "stray_rate")
    assert rate["after"] > rate["before"]
    assert rate["low"] < rate["after"] - rate["before"] < rate["high"]
