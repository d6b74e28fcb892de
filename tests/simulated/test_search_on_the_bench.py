"""Searches and sequential limits struck on the simulated bench, against its truth."""

from __future__ import annotations

import html
import threading
from pathlib import Path

import pytest
from struck import SPECIMEN, Truth, measured, truth_beside

from analysis.evidence import gather, recovery_of
from analysis.pipeline import Analysis, analyse_run
from analysis.report.page import write_page
from analysis.waveforms import SILENCE_AFTER_S
from rig.cli.choosing import Chooser, must_choose
from rig.cli.run import strike_files
from rig.preparation import prepare
from rig.progress import Progress
from rig.record.bench_fault import BadFileError, BenchError
from rig.record.loaders import find_file, parse_bench, parse_protocol
from rig.resuming import resume
from rig.run_files import RunFiles
from rig.runner import run
from rig.so_far import SoFar

HEAD = 'format = 1\nname = "search"\npurpose = "As few strokes as tell it"\n'

ROLL = (
    HEAD
    + """[[stage]]
name = "roll"
pattern = "roll"
strikers = ["A", "B"]
rates_per_s = {rates}
strokes = 10
repeats = {repeats}
force_n = 8
rest_ms = 300
{search}
"""
)

FLAM = (
    HEAD
    + """[[stage]]
name = "flam"
pattern = "flam"
strikers = ["A", "B"]
gaps_ms = {gaps}
level_differences_db = {levels}
repeats = {repeats}
force_n = 12
rest_ms = 300
{search}
"""
)

SOFT = (
    HEAD
    + """[[stage]]
name = "soft"
pattern = "single"
prompt = "Clear the pad."
forces_n = {forces}
repeats = 20
interval_ms = 300
rest_ms = 300
precision_n = {precision}
"""
)


def files(
    protocol: str, *, seed: int = 1, settings: str = "", faults: str = "[]", pad: str = "loam-mesh"
) -> RunFiles:
    """Files of a run on the simulated bench."""
    bench = find_file("simulated", "benches").read_text("utf-8").replace("seed=1", f"seed={seed}")
    specimen = SPECIMEN.format(
        pad=pad, module="brook", firmware="1.4", settings=settings, faults=faults
    )
    return RunFiles.from_texts(protocol, bench, specimen)


def struck(found: RunFiles, path: Path) -> tuple[Analysis, Truth]:
    """Run it as the command does, analyse it, and read the truth."""
    chooser = Chooser(found) if must_choose(found) else None
    result = run(prepare(found), path, next_burst=chooser)
    assert result.outcome == "complete", result.reason
    return analyse_run(path), truth_beside(path)


def strokes_of(analysis: Analysis) -> int:
    """Strikes that were struck."""
    return int((analysis.recording.of_kind("coil_on")["strike"] >= 0).sum())


def told(analysis: Analysis) -> str:
    """What the search wrote into the record."""
    notes = analysis.recording.of_kind("note")["text"]
    return next(text for text in notes if text.startswith("search in stage"))


def test_the_resolvable_rate_is_found_with_a_third_of_the_strokes(tmp_path: Path) -> None:
    """A dead time of 33 ms: its inverse, 30.3 strokes a second, within the precision demanded.

    A fixed grid that yields an interval as narrow takes three times the strokes.
    """
    rates = list(range(16, 44))
    settings = "dead_time_ms = 33"
    found = files(
        ROLL.format(rates=rates, repeats=20, search="precision_per_s = 2"), settings=settings
    )
    searched, _ = struck(found, tmp_path / "searched")
    rate = measured(searched, "resolvable_rate_95")
    assert abs(rate.value - 1e3 / 33.0) < 1.0
    assert "up to" in told(searched)
    assert "not as precise" not in told(searched)
    grid = ROLL.format(rates=rates, repeats=2, search="")
    fixed, _ = struck(files(grid, settings=settings), tmp_path / "fixed")
    assert abs(rate.value - measured(fixed, "resolvable_rate_95").value) < 1.0
    assert strokes_of(searched) <= strokes_of(fixed) / 3.0


def test_faster_than_the_bench_is_at_least(tmp_path: Path) -> None:
    """A module that answers the fastest roll of the ladder: "at least" that, after a few rolls."""
    text = ROLL.format(rates=list(range(10, 31)), repeats=20, search="precision_per_s = 2")
    analysis, _ = struck(files(text), tmp_path / "run")
    assert "at least 30 strokes/s" in told(analysis)
    assert measured(analysis, "resolvable_rate_95").bench_limited
    assert strokes_of(analysis) < 200


def test_the_flam_gap_is_found(tmp_path: Path) -> None:
    """The gap found is that from which on the truth's seconds have notes."""
    gaps = [round(14 + 0.5 * step, 1) for step in range(60)]
    found = files(
        FLAM.format(gaps=gaps, levels=[0], repeats=10, search="precision_ms = 1.5"),
        settings="dead_time_ms = 30",
    )
    searched, _ = struck(found, tmp_path / "searched")
    near = [gap for gap in gaps if 17 <= gap <= 25]
    fixed, _ = struck(
        files(
            FLAM.format(gaps=near, levels=[0], repeats=8, search=""), settings="dead_time_ms = 30"
        ),
        tmp_path / "fixed",
    )
    gap = measured(searched, "flam_gap_95").value
    assert abs(gap - measured(fixed, "flam_gap_95").value) < 1.0
    assert strokes_of(searched) <= strokes_of(fixed) / 3.0


def test_the_softest_sure_stroke_is_found(tmp_path: Path) -> None:
    """Strokes below it are lost in truth and those above it sound; the person is asked once."""
    forces = [round(1.5 * 1.06**step, 2) for step in range(30)]
    found = files(SOFT.format(forces=forces, precision=0.5), settings="threshold_percent = 5")
    analysis, truth = struck(found, tmp_path / "run")
    answer = float(told(analysis).split("sound from ")[1].split(" N")[0])
    table = analysis.table.strokes
    table = table[table["valid"]]
    force = table["force_n"].to_numpy()
    lost = (table["outcome"] == "lost").to_numpy()
    assert len(truth.content["contacts"]) == strokes_of(analysis) == len(table)
    assert force[lost].max() < answer + 0.3
    assert force[~lost].min() > answer - 0.7
    prompts = analysis.recording.of_kind("note")["text"].tolist()
    assert sum("Clear the pad" in text for text in prompts) <= 1
    assert strokes_of(analysis) < 100


def test_the_recovery_map_is_found_with_few_strokes(tmp_path: Path) -> None:
    """Softer seconds must come later; a fixed grid of the same cells strikes many times as much."""
    gaps = [float(gap) for gap in range(14, 50, 2)]
    found = files(
        FLAM.format(gaps=gaps, levels=[-12, -6, 0], repeats=10, search="precision_ms = 4"),
        settings="dead_time_ms = 25",
    )
    analysis, _ = struck(found, tmp_path / "run")
    sentence = told(analysis)
    assert "not as precise" not in sentence
    pairs = len(gaps) * 3
    assert strokes_of(analysis) <= 2 * pairs
    table = analysis.table.strokes
    second = table[table["valid"] & (table["place"] == 1)]
    caught = second["outcome"].isin(["clean", "double"])
    waits = [
        second.loc[~caught & (second["level_difference_db"].round() == level), "gap_ms"].max()
        for level in (-12, 0)
    ]
    assert waits[0] > waits[1]


def test_a_soft_second_whose_coil_is_first_on_is_mapped(tmp_path: Path) -> None:
    """A soft stroke flies so long that its coil starts before the first's; it is still second."""
    found = files(
        FLAM.format(
            gaps=[6, 10, 14, 18, 22, 28, 34, 40, 46, 52],
            levels=[-18, 0],
            repeats=12,
            search="precision_ms = 6",
        )
    )
    plan = prepare(found).plan.strikes
    opening = plan.groupby("burst")["place"].first()
    assert (opening == 1).any()
    assert (opening == 0).any()
    analysis, _ = struck(found, tmp_path / "run")
    assert "not as precise" not in told(analysis)
    assert strokes_of(analysis) < 120
    contour = recovery_of(analysis.table.strokes).contour(0.5)
    # 18 dB softer, it waits for ln(8) of the 22 ms release more, less what is louder by then
    assert contour.gap_ms[0] - contour.gap_ms[1] > 12.0
    # never 1.5 s of silence: the noise is what is heard sooner after a stroke, and causes are told
    found_too = gather(analysis)
    assert found_too.cut.silence_after_s < SILENCE_AFTER_S[0]
    # 4e-4 of noise, and hum of 4e-4, 1e-4 and 1.5e-4
    assert found_too.silence.rms == pytest.approx(5.1e-4, rel=0.1)
    assert set(found_too.explained["cause"]) <= {"shadowed", "under_threshold"}
    assert "Recovery map" in write_page(analysis)


def test_a_limit_is_struck_until_decided(tmp_path: Path) -> None:
    """Doubles of a bad build fail after few strokes; a good build passes before all are struck."""
    text = (
        HEAD
        + """[[stage]]
name = "doubles"
pattern = "single"
strikers = ["A", "B"]
forces_n = [8, 20]
repeats = 200
interval_ms = 150
order = "shuffled"
[[limit]]
measure = "double_share"
stage = "doubles"
at_most_percent = 8
good_percent = 1
"""
    )
    good, _ = struck(files(text), tmp_path / "good")
    bad, _ = struck(files(text, faults='["double"]'), tmp_path / "bad")
    assert (good.overall, bad.overall) == ("pass", "fail")
    assert "Wald's sequential test" in good.decisions[0].reason
    assert strokes_of(good) < 400
    assert strokes_of(bad) <= 200
    notes = good.recording.of_kind("note")["text"].tolist()
    (told,) = [text for text in notes if "until decided" in text]
    assert "double share is good: " in told
    assert "tested for 1 % against 8 %" in told
    assert "at most good" not in told
    footer = write_page(good).split("Decision rule: ")[1].split("</p>")[0]
    assert "Wald's sequential test" in html.unescape(footer)
    assert "doubles" in footer


def test_what_cannot_be_searched_is_refused(tmp_path: Path) -> None:
    """Too few levels, two strikers of a softest stroke, good shares out of place, and no DIN."""
    wrong = SOFT.format(forces=[1, 2], precision=1).replace(
        "precision_n = 1", 'precision_n = 1\nprecision_us = 5\nstrikers = ["A", "B"]'
    )
    wrong += """[[limit]]
measure = "double_share"
at_most_percent = 1
good_percent = 2
[[margin]]
measure = "latency_median"
within_percent = -1
[[margin]]
measure = "latency"
within_ms = 1
"""
    with pytest.raises(BadFileError) as refused:
        parse_protocol(wrong, "wrong.toml")
    text = str(refused.value)
    for part in ("no such key", "'within_ms' is missing", "no such measure: 'latency'"):
        assert part in text
    with pytest.raises(BadFileError) as refused:
        parse_protocol(wrong.split("[[margin]]")[0], "wrong.toml")
    text = str(refused.value)
    for part in ("2 levels", "a search takes one", "widths_us", "2 % found", "'stage' is missing"):
        assert part in text
    found = files(ROLL.format(rates=[10, 20, 30], repeats=2, search="precision_per_s = 1"))
    text = found.bench_text.replace("[midi]", "[midi]\nboard_din = false", 1)
    if "board_din = true" in found.bench_text:
        text = found.bench_text.replace("board_din = true", "board_din = false")
    deaf = files(found.protocol_text)
    object.__setattr__(deaf, "bench", parse_bench(text, "bench.toml"))
    with pytest.raises(BenchError, match="board_din is false"):
        Chooser(deaf)


def test_a_search_that_was_stopped_goes_on_by_all_that_it_had_heard(tmp_path: Path) -> None:
    """What the parts recall is what was heard live; no burst is struck twice; the rate is found."""
    found = files(
        ROLL.format(rates=list(range(16, 44)), repeats=20, search="precision_per_s = 2"),
        settings="dead_time_ms = 33",
    )
    live, chooser, stop = {}, Chooser(found), threading.Event()

    def choose(so_far: SoFar) -> int | None:
        for burst in so_far.struck:
            live.setdefault(burst, chooser._notes(so_far, burst).tolist())
        return chooser(so_far)

    def watch(progress: Progress) -> None:
        if progress.strikes_done >= 75:
            stop.set()

    path = tmp_path / "run"
    first = run(prepare(found), path, next_burst=choose, progress=watch, stop=stop)
    assert first.outcome == "stopped"
    resumed = resume(
        path,
        protocol_text=found.protocol_text,
        bench_text=found.bench_text,
        specimen_text=found.specimen_text,
    )
    recalled = resumed.recall()
    assert set(recalled.struck) == resumed.struck
    assert len(recalled.struck) == 7
    anew = Chooser(found)
    so_far = SoFar(
        plan=prepare(found).plan,
        struck=recalled.struck,
        events=recalled.events,
        strike_ticks=recalled.strike_ticks,
        remark=lambda _: None,
    )
    assert {burst: anew._notes(so_far, burst).tolist() for burst in recalled.struck} == live
    expected = anew(so_far)

    second = strike_files(found, None, quiet=True, resume=path)
    assert second == resumed.path
    analysis = analyse_run(path)
    assert analysis.recording.status == "complete"
    begun = [
        recording.of_kind("burst_begin")["value"].tolist() for recording in analysis.recordings
    ]
    assert begun[1][0] == expected
    assert set(begun[0][:7]).isdisjoint(begun[1])
    assert abs(measured(analysis, "resolvable_rate_95").value - 1e3 / 33.0) < 1.0
    assert "up to" in told(analysis)
    assert "not as precise" not in told(analysis)
    # a third part would have nothing to strike
    with pytest.raises(BenchError, match="is complete"):
        strike_files(found, None, quiet=True, resume=path)
