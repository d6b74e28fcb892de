"""A run that was stopped or cut off goes on in a part of its own, and is analysed as one."""

from __future__ import annotations

import dataclasses
import shutil
import threading
from pathlib import Path

import numpy as np
import pytest
from bench_runs import files, shipped

from analysis.evidence import gather
from analysis.pipeline import Analysis, analyse_run
from analysis.provenance import provenance
from analysis.report.page import write_page
from analysis.result_files import write_tables
from rig.cli.main import main
from rig.preparation import prepare
from rig.progress import Progress
from rig.record.bench_fault import BadFileError, BenchError
from rig.record.run_folder import RunReader, verify
from rig.resuming import Resumed, resume
from rig.run_files import RunFiles
from rig.runner import RunResult, run

LONG = """
format = 1
name = "long"
purpose = "several bursts"

[record]
keep = "KEEP"

[[stage]]
name = "steady"
pattern = "single"
strikers = ["A", "B"]
forces_n = [4, 12]
repeats = 88
interval_ms = 130

[[stage]]
name = "silence"
pattern = "idle"
duration_s = 2
"""


def strike(
    made: RunFiles, path: Path, stop_at: int = 0, resumed: Resumed | None = None
) -> RunResult:
    """Run, and stop by hand once so many strokes are struck."""
    stop = threading.Event()

    def watch(progress: Progress) -> None:
        if stop_at and progress.strikes_done >= stop_at:
            stop.set()

    return run(prepare(made), path, progress=watch, stop=stop, resumed=resumed)


def look(made: RunFiles, path: Path) -> Resumed:
    """Look at a run with these files."""
    return resume(
        path,
        protocol_text=made.protocol_text,
        bench_text=made.bench_text,
        specimen_text=made.specimen_text,
    )


@pytest.fixture(scope="module", params=["all", "windows"])
def made(request: pytest.FixtureRequest) -> RunFiles:
    """Files of the run, with both ways to keep its sound."""
    return files(LONG.replace("KEEP", request.param))


@pytest.fixture(scope="module")
def path(made: RunFiles, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run in three parts: stopped in its second burst, then cut off in its third, then ended."""
    path = tmp_path_factory.mktemp("resume") / "run"
    assert strike(made, path, 130).outcome == "stopped"
    second = look(made, path)
    assert (second.path.name, second.part, second.struck, second.strokes) == (
        "run.part2", 2, frozenset({0}), 100,
    )  # fmt: skip
    assert strike(made, second.path, 150, second).outcome == "stopped"
    (second.path / "stop.json").unlink()  # as if the power had gone
    third = look(made, path)
    assert third.struck == {0, 1}
    result = strike(made, third.path, 0, third)
    assert result.outcome == "complete"
    assert result.progress.strikes_done == result.progress.strikes_total == 152
    return path


@pytest.fixture(scope="module")
def analysis(path: Path) -> Analysis:
    """The whole of it, analysed once."""
    return analyse_run(path)


def test_every_strike_is_struck_once_and_counts_once(analysis: Analysis) -> None:
    """One row a strike of the plan, all of them struck, in order of time over the parts."""
    strokes = analysis.table.strokes
    planned = strokes[strokes["strike"] >= 0]
    assert planned["strike"].tolist() == sorted(planned["strike"]) == list(range(352))
    assert planned["onset_t_s"].notna().mean() > 0.99
    assert planned["valid"].all()
    assert (np.diff(planned["drive_t_s"]) > 0).all()
    assert strokes["stroke"].tolist() == list(range(len(strokes)))
    notes = analysis.table.notes
    first = notes[notes["role"] == "first"]
    told = strokes.set_index("stroke").loc[first["stroke"], "note_t_s"].to_numpy()
    np.testing.assert_allclose(told, first["note_t_s"], atol=1e-9)
    assert analysis.recording.status == "complete"


def test_the_gaps_are_told(path: Path, analysis: Analysis) -> None:
    """Parts and gaps stand beside every result, and in the start records."""
    assert dict(provenance(analysis))["parts"].startswith("run, run.part2 after")
    assert sum("goes on after a gap" in doubt for doubt in analysis.doubts) == 2
    assert any("broke off" in doubt for doubt in analysis.doubts)
    starts = [RunReader.open(path.with_name(n)).start for n in ("run", "run.part2", "run.part3")]
    assert [start.part for start in starts] == [1, 2, 3]
    assert starts[1].continues == starts[2].continues == starts[0].run_id
    assert starts[2].gap_s >= 0


def test_each_stroke_s_sound_is_cut_out_of_its_own_part(analysis: Analysis) -> None:
    """Advice and causes look at the sound of all parts: each waveform has its stroke's peak."""
    found = gather(analysis)
    cut = found.cut
    assert len(cut.strokes) > 340
    peak_db = 20.0 * np.log10(cut.envelopes.level[:, cut.envelopes.onset :].max(axis=1))
    off_db = np.abs(peak_db - cut.strokes["peak_dbfs"].to_numpy(dtype=float))
    assert np.quantile(off_db, 0.99) < 0.5
    assert found.advice is not None, found.no_advice
    assert found.advice.count > 100
    assert found.silence.rms < 2e-3


def test_the_joined_run_is_measured_and_drawn(path: Path, analysis: Analysis) -> None:
    """Tables stand in the first folder; the page's pictures find each stroke's sound."""
    folder = write_tables(analysis)
    assert folder == path / "analysis"
    assert "run.part3" in write_page(analysis)
    stroke = analysis.table.strokes.iloc[-3]
    rate = analysis.audio.sample_rate_hz
    sound = analysis.audio.window(round(stroke["onset_t_s"] * rate) - 50, 2000)[:, 0]
    peak = 20 * np.log10(np.abs(sound).max())
    assert abs(peak - stroke["peak_dbfs"]) < 0.5
    assert verify(path.with_name("run.part3")) == []


def test_a_complete_run_is_not_gone_on_with(made: RunFiles, path: Path) -> None:
    """Nothing is left to strike; and a later part is no run of its own."""
    with pytest.raises(BenchError, match="is complete"):
        look(made, path)
    with pytest.raises(BenchError, match="part 2 of a run"):
        look(made, path.with_name("run.part2"))


def test_a_foreign_part_is_refused(path: Path, tmp_path: Path) -> None:
    """A folder that has a part's name and belongs to another run is not taken for one."""
    shutil.copytree(path, tmp_path / "run")
    shutil.copytree(path, tmp_path / "run.part2")
    with pytest.raises(BadFileError, match="is no part of"):
        analyse_run(tmp_path / "run")


def test_changes_between_parts_are_refused_by_name(tmp_path: Path) -> None:
    """Protocol, bench, calibration, specimen: each is told, all at once."""
    made = files(LONG.replace("KEEP", "all"))
    strike(made, tmp_path / "run", 20)
    calibration = made.bench_text.replace(
        "uncertainty_percent = 3.0", "uncertainty_percent = 4.0", 1
    )
    cases = {
        "the calibration of striker 'A' has changed": {"bench_text": calibration},
        "the bench file has changed": {
            "bench_text": made.bench_text.replace(
                "sample_rate_hz = 96_000", "sample_rate_hz = 48_000"
            )
        },
        "the protocol has changed": {"protocol_text": made.protocol_text + "# a word\n"},
        "the specimen": {"specimen_text": shipped("specimens", "bad_build")},
    }
    for told, change in cases.items():
        with pytest.raises(BenchError, match=told) as caught:
            look(dataclasses.replace(made, **change), tmp_path / "run")
        assert ("bench file" in str(caught.value)) is (told == "the bench file has changed")
    both = {**cases["the protocol has changed"], "bench_text": calibration}
    with pytest.raises(BenchError, match=r"protocol has changed; .*calibration"):
        look(dataclasses.replace(made, **both), tmp_path / "run")


def test_another_board_is_refused(tmp_path: Path) -> None:
    """A board with other firmware strikes nothing, and no folder is made."""
    made = files(LONG.replace("KEEP", "all"))
    strike(made, tmp_path / "run", 20)
    resumed = look(made, tmp_path / "run")
    name = next(
        key for key in resumed.board if "firmware" in key or "build" in key or "version" in key
    )
    other = dataclasses.replace(resumed, board={**resumed.board, name: "another"})
    with pytest.raises(BenchError, match=f"{name}: 'another' before"):
        strike(made, other.path, resumed=other)
    assert not other.path.exists()


def test_the_command_goes_on_with_a_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """``run … --resume RUN`` strikes the rest and analyses the whole; --out has no place there."""
    made = files(LONG.replace("KEEP", "all"))
    for name in ("protocol", "bench", "specimen"):
        (tmp_path / f"{name}.toml").write_text(getattr(made, f"{name}_text"))
    strike(made, tmp_path / "run", 120)
    monkeypatch.chdir(tmp_path)
    words = ["run", "protocol.toml", "--bench", "bench.toml", "--specimen", "specimen.toml"]
    words += ["--unattended", "--resume", "run"]
    for extra, code in ((["--out", "x"], 2), (["--seed", "9"], 2), ([], 0)):
        monkeypatch.setattr("sys.argv", ["strikebench", *words, *extra])
        with pytest.raises(SystemExit) as end:
            main()
        assert (end.value.code or 0) == code, capsys.readouterr()
    assert (tmp_path / "run" / "analysis" / "strokes.csv").exists()
    assert RunReader.open(tmp_path / "run.part2").status == "complete"
