"""Gauge studies of runs made as a user makes them, on the simulated bench."""

from __future__ import annotations

import dataclasses
import math
import re
import shutil
from pathlib import Path

import pytest
from struck import strike
from typed import Typed

from analysis.gauge_study import StudyError
from analysis.qualify import StudiedRun, over_a_day, qualify
from rig.cli.qualify import show_stability, show_study

LADDER = """format = 1
name = "gauge study"
purpose = "Check strokes"
[[stage]]
name = "check"
pattern = "single"
strikers = ["A", "B"]
forces_n = [8]
repeats = 20
interval_ms = 110
"""


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> list[StudiedRun]:
    """Two pads, each mounted three times; the second one is struck nearer to its edge."""
    folder = tmp_path_factory.mktemp("study")
    found = []
    for pad, delay in (("first", 13.0), ("second", 13.0)):
        for turn in range(3):
            window = 2.0 if pad == "first" else 2.6
            name = f"{pad}{turn}"
            analysis, _ = strike(
                LADDER, folder / name, seed=10 * turn + (pad == "second"),
                settings={"dead_time_ms": delay, "peak_window_ms": window},
            )  # fmt: skip
            found.append(
                StudiedRun(
                    name=name, specimen=pad, day=f"day {turn // 2}", mounting=f"turn {turn}",
                    strokes=analysis.table.strokes, begun_s=7200.0 * turn,
                )
            )  # fmt: skip
    return found


def test_a_crossed_study_names_its_method_and_sees_the_difference(runs: list[StudiedRun]) -> None:
    """A peak window 0.6 ms longer shows; whether 40 strokes always will, two strikers can't tell."""
    found = qualify(runs, conditions=("mounting", "striker"))
    assert found.method.startswith("ANOVA with pooling")
    # two values 0.6 ms apart have a standard deviation of 0.42 ms
    assert 0.3 < found.part_sd < 0.55
    # a main loop that polls each millisecond: 1 / sqrt(12) ms
    assert found.repeatability_sd == pytest.approx(0.289, abs=0.06)
    assert found.visible_difference(40) < 0.6
    assert "fewest degrees of freedom are the 1 of striker" in found.verdict(0.6, 40)
    assert found.verdict(0.01, 40).startswith("not seen")
    over_runs = qualify(runs, conditions=("run",))
    assert over_runs.finds(20.0, 40) == "seen"


def test_one_specimen_makes_a_nested_study(runs: list[StudiedRun]) -> None:
    """Repeats within remounting within day; what did not vary is refused by name."""
    own = [run for run in runs if run.specimen == "first"][:2]
    twice = [
        StudiedRun(
            name=f"{run.name} {day}", specimen="first", day=day, mounting=f"{run.mounting} {day}",
            strokes=run.strokes,
        )
        for day in ("Monday", "Tuesday")
        for run in own
    ]  # fmt: skip
    found = qualify(twice, conditions=("day", "mounting"))
    assert found.method == "nested, repeats within mounting within day"
    assert set(found.condition_sd) == {"day", "mounting"}
    assert found.visible_difference(100) >= found.visible_difference(1000)
    with pytest.raises(StudyError, match="day did not vary"):
        qualify(own, conditions=("day", "mounting"))


def test_a_drifting_striker_is_told(runs: list[StudiedRun]) -> None:
    """Levels that fall by 0.3 dB an hour over six runs drift, with the rate; untouched are steady."""
    base = next(run for run in runs if run.specimen == "first")
    day = []
    for hour in range(6):
        strokes = base.strokes.copy()
        strokes["peak_dbfs"] = strokes["peak_dbfs"] - 0.3 * hour + 0.01 * (-1) ** hour
        day.append(
            StudiedRun(
                name=str(hour), specimen="first", day="1", mounting="1", strokes=strokes,
                begun_s=3600.0 * hour,
            )
        )  # fmt: skip
    found = over_a_day(day, reading="level")
    assert set(found) == {"A", "B"}
    for one in found.values():
        assert one.standing == "drifts"
        assert one.drift_low < -0.3 < one.drift_high
    # the word that the command's exit code goes by
    assert show_stability(day, "level", math.nan, "") == "bad"
    untouched = [
        dataclasses.replace(
            one, strokes=one.strokes.assign(peak_dbfs=base.strokes["peak_dbfs"] + 0.01 * (-1) ** k)
        )
        for k, one in enumerate(day)
    ]
    assert show_stability(untouched, "level", math.nan, "") == ""
    with pytest.raises(StudyError, match="several specimens"):
        over_a_day(runs, reading="level")
    with pytest.raises(StudyError, match="at least 5"):
        over_a_day(day[:3], reading="level")


def test_readings_at_their_limit_show_no_bench(runs: list[StudiedRun]) -> None:
    """All velocities 127: no spread is no good bench; nothing is called seen by it."""
    full = [dataclasses.replace(run, strokes=run.strokes.assign(velocity=127)) for run in runs]
    with pytest.raises(StudyError, match="at its limit"):
        qualify(full, reading="velocity")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Runs ``r0`` to ``r7``: two builds in turn, each mounted four times, and what lies beside them."""
    made = tmp_path_factory.mktemp("typed")
    for turn in range(8):
        strike(LADDER, made / f"r{turn}", seed=30 + turn, firmware=("1.4", "1.6")[turn % 2])
    assert (made / "r0.truth.json").is_file()
    return made


@pytest.fixture
def typed(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Typed:
    """The command line, 80 columns wide."""
    monkeypatch.setenv("COLUMNS", "80")
    return Typed(monkeypatch, capsys)


RUNS = [f"r{turn}" for turn in range(8)]


def test_every_figure_stands_with_its_interval_and_degrees(folder: Path, typed: Typed) -> None:
    """A line for each source, the interaction too, within 80 columns; a bad bench is code 1."""
    found = typed("qualify", *RUNS, *(f"{run}.truth.json" for run in RUNS), cwd=folder)
    assert found.returncode == 1, found.stderr
    assert "left out, no run folder: r0.truth.json and 7 more" in found.stderr
    lines = found.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    number = r"[\d.e-]+"
    for name in (
        "repeatability", "between run", "specimen x run", "bench in all", "between specimens",
        "visible within a session", "visible between sessions",
    ):  # fmt: skip
        row = next(line for line in lines if line.startswith(name))
        shape = rf"{name} +{number} +{number} to {number} +\d+( to \d+)?"
        assert re.fullmatch(shape, row.strip()), row
    assert re.search(
        r"BAD: the bench makes .* categories of specimens", " ".join(found.stdout.split())
    )
    assert "…" not in found.stdout


def test_specimens_that_do_not_differ_keep_their_line(
    runs: list[StudiedRun], capsys: pytest.CaptureFixture[str]
) -> None:
    """The same strokes under two names: 0 with an upper bound, 0 categories, bad."""
    own = [run for run in runs if run.specimen == "first"][:2]
    other = [dataclasses.replace(run, specimen="other", name=f"{run.name}b") for run in own[::-1]]
    word = show_study(qualify([*own, *other]), "latency", 40, None, "")
    said = " ".join(capsys.readouterr().out.split())
    assert word == "bad"
    assert re.search(r"between specimens 0 0 to 0\.\d+ 1", said)
    assert re.search(r"BAD: the bench makes 100\.0 % .* and tells 0 categories", said)


@pytest.mark.parametrize(
    ("difference", "word", "code"), [(20, "seen", 0), (0.3, "undecided", 3), (0.05, "not seen", 1)]
)
def test_a_difference_ends_with_its_exit_code(
    folder: Path, typed: Typed, difference: float, word: str, code: int
) -> None:
    """Seen, not seen, undecided: README.md's codes, whether or not the bench is bad."""
    found = typed("qualify", *RUNS, "--difference", difference, cwd=folder)
    assert found.returncode == code, found.stderr
    assert f"{difference:g} ms between sessions: {word}" in found.stdout
    assert max(map(len, found.stdout.splitlines())) <= 80


def test_all_that_is_wrong_is_told_in_one_go(folder: Path, typed: Typed) -> None:
    """Options and folders together; no study is begun."""
    (folder / "empty").mkdir(exist_ok=True)
    found = typed(
        "qualify", "r0", "r1", "r0", "nothing", "empty", "--reading", "loudness",
        "--condition", "weather", "--difference", "nan", "--reference", "inf", cwd=folder,
    )  # fmt: skip
    assert found.returncode == 2
    assert not found.stdout
    for words in (
        "no reading 'loudness'", "conditions weather", "a difference of nan",
        "above 0 and finite", "a reference of inf", "nothing: no run folder", "empty: no run folder",
        "r0 and r0 are the same run",
    ):  # fmt: skip
        assert words in found.stderr
    mixed = typed("qualify", "r0", "r1", "--reference", 4, cwd=folder)
    assert mixed.returncode == 2
    assert "add --stability" in mixed.stderr
    mixed = typed("qualify", "r0", "r1", "--stability", "--difference", 1, cwd=folder)
    assert mixed.returncode == 2
    assert "judges no --difference" in mixed.stderr
    for words in ("0", "-1", "inf"):
        refused = typed("qualify", "r0", "r1", f"--difference={words}", cwd=folder)
        assert refused.returncode == 2
        assert "above 0 and finite" in refused.stderr


def test_a_run_that_was_cut_off_decides_nothing(folder: Path, typed: Typed) -> None:
    """Its figures are shown; the word is incomplete, the code 5, whatever they say."""
    cut = folder / "cut"
    if not cut.exists():
        shutil.copytree(folder / "r7", cut)
        (cut / "stop.json").unlink()
    for options in ((), ("--difference", 20)):
        found = typed("qualify", *RUNS[:7], "cut", *options, cwd=folder)
        assert found.returncode == 5, found.stderr
        assert "between run" in found.stdout
        assert "INCOMPLETE" in found.stdout
        for good in ("seen", "GOOD", "CONDITIONAL"):
            assert good not in found.stdout
    # five runs of one build, the last of them cut off
    shutil.copytree(folder / "r5", folder / "cut5")
    (folder / "cut5" / "stop.json").unlink()
    strike(LADDER, folder / "r9", seed=39, firmware="1.6")
    over_time = typed("qualify", "r1", "r3", "r7", "r9", "cut5", "--stability", cwd=folder)
    assert over_time.returncode == 5, over_time.stderr
    assert "STEADY" not in over_time.stdout


def test_unfinished_runs_that_carry_no_study_are_the_reason(folder: Path, typed: Typed) -> None:
    """Where what is left of a run is not enough, the code is that of a run not complete."""
    cut = folder / "torn"
    shutil.copytree(folder / "r7", cut)
    (cut / "stop.json").unlink()
    found = typed("qualify", "r6", "torn", "--condition", "day", cwd=folder)
    assert found.returncode == 5
    assert "Not every run is complete" in found.stderr
