"""A run of which only windows were kept gives the strokes that the whole of it would have given."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from bench_runs import files, run_short
from full_disk import largest_file

from analysis.pipeline import Analysis, analyse_run
from analysis.report.page import write_page
from analysis.result_files import write_tables
from rig.preparation import prepare
from rig.record.bench_fault import BadFileError, BenchError
from rig.record.recovery_copy import recover_copy
from rig.record.run_folder import RunReader, verify

SPARSE = """
format = 1
name = "sparse"
purpose = "few strokes, long silences"

[record]
keep = "KEEP"
before_ms = 60
after_ms = 200

[[stage]]
name = "ladder"
pattern = "single"
strikers = ["A", "B"]
forces_n = [1, 3, 9, 20]
repeats = 8
interval_ms = 420
interval_spread_ms = 30

[[stage]]
name = "rolls"
pattern = "roll"
strikers = ["A", "B"]
rates_per_s = [12, 18]
strokes = 10
force_n = 8

[[stage]]
name = "silence"
pattern = "idle"
duration_s = 12
"""


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The same run, once kept whole and once in windows."""
    folder = tmp_path_factory.mktemp("windows")
    for keep in ("all", "windows"):
        result = run_short(folder / keep, "seed=5", protocol=SPARSE.replace("KEEP", keep))
        assert result.outcome == "complete"
    return {keep: folder / keep for keep in ("all", "windows")}


@pytest.fixture(scope="module")
def analyses(both: dict[str, Path]) -> dict[str, Analysis]:
    """Both analysed."""
    return {keep: analyse_run(path) for keep, path in both.items()}


def test_what_is_kept_is_the_same_sound(both: dict[str, Path]) -> None:
    """Every frame of every window is that of the whole recording, to the last bit."""
    whole = RunReader.open(both["all"]).audio
    part = RunReader.open(both["windows"]).audio
    assert part.frame_count == whole.frame_count
    assert part.windows is not None
    end = 0
    for first, samples in part.blocks(10_000):
        assert first >= end
        end = first + len(samples)
        np.testing.assert_array_equal(samples, whole.window(first, len(samples)))
    assert part.stored_count < 0.55 * whole.frame_count
    assert verify(both["windows"]) == []


def test_windows_and_rest_make_up_the_whole(both: dict[str, Path]) -> None:
    """No frame is left out or told twice, and the level of the rest is that of its sound."""
    whole = RunReader.open(both["all"]).audio
    windows = RunReader.open(both["windows"]).audio.windows
    assert windows is not None
    first = np.concatenate([windows.first, windows.rest_first])
    frames = np.concatenate([windows.frames, windows.rest_frames])
    order = np.argsort(first)
    np.testing.assert_array_equal(np.cumsum(frames[order])[:-1], first[order][1:])
    assert frames.sum() == whole.frame_count
    for k in range(0, len(windows.rest_first), 7):
        samples = whole.window(int(windows.rest_first[k]), int(windows.rest_frames[k]))
        rms = np.sqrt(np.mean(samples.astype(float) ** 2, axis=0))
        np.testing.assert_allclose(windows.rms[k], rms, rtol=1e-3)
        np.testing.assert_allclose(windows.peak[k], np.abs(samples).max(axis=0), rtol=1e-3)


def test_a_window_across_what_was_not_kept_is_nan_there(both: dict[str, Path]) -> None:
    """Frames that are not there are no numbers, and those that are stand in their place."""
    audio = RunReader.open(both["windows"]).audio
    assert audio.windows is not None
    begin = int(audio.windows.first[2])
    read = audio.window(begin - 1000, 2000)
    assert np.isnan(read[:1000]).all()
    assert np.isfinite(read[1000:]).all()
    assert len(audio.window(audio.frame_count, 10)) == 0


def test_the_stroke_table_is_the_same(analyses: dict[str, Analysis]) -> None:
    """Same strokes, notes and outcomes; onsets within a fraction of what they claim."""
    a, b = (analyses[keep].table.strokes for keep in ("all", "windows"))
    same = [
        "strike",
        "burst",
        "stage",
        "striker",
        "outcome",
        "note",
        "velocity",
        "doubles",
        "valid",
    ]
    pd.testing.assert_frame_equal(a[same], b[same])
    assert (a["outcome"] != "clean").sum() < len(a) / 2
    off = (a["onset_t_s"] - b["onset_t_s"]).abs()
    assert off.median() < 1e-6
    assert (off < np.hypot(a["onset_u_s"], b["onset_u_s"])).all()
    np.testing.assert_allclose(a["drive_t_s"], b["drive_t_s"], atol=0.1e-6)
    np.testing.assert_allclose(a["peak_dbfs"], b["peak_dbfs"], atol=0.05)


def test_the_measures_are_the_same(analyses: dict[str, Analysis]) -> None:
    """Counts and latencies agree; the noise floor is taken from what was kept of the silence."""
    a, b = ({(m.name, m.stage): m for m in analyses[keep].measures} for keep in analyses)
    assert set(a) == set(b)
    for key, one in a.items():
        other = b[key]
        if key[0] == "noise_floor":
            assert abs(one.value - other.value) < 0.5
        elif key[0].startswith("latency_") or key[0].endswith("_share"):
            np.testing.assert_allclose(one.value, other.value, atol=0.02, err_msg=str(key))


def test_tables_and_page_are_written(both: dict[str, Path], analyses: dict[str, Analysis]) -> None:
    """All that is made of a run is made of this one too."""
    assert (write_tables(analyses["windows"]) / "strokes.csv").exists()
    assert "sparse" in write_page(analyses["windows"])


def test_lost_audio_keeps_its_place(tmp_path: Path) -> None:
    """A block that the interface lost is told at its frame of the time line, not of the file."""
    query = "seed=5&drop_audio_at_s=6.5"
    gaps = []
    for keep in ("all", "windows"):
        run_short(tmp_path / keep, query, protocol=SPARSE.replace("KEEP", keep))
        reader = RunReader.open(tmp_path / keep)
        rows = reader.events[reader.events["kind"] == "audio_gap"]
        gaps.append((rows["stamp_int"].tolist(), rows["value"].tolist(), reader.audio.frame_count))
    assert gaps[0] == gaps[1]
    assert gaps[0][1] == [4096]


def test_notes_from_sound_alone_need_all_of_it() -> None:
    """Without a MIDI input the mode is refused before anything moves."""
    made = files(
        SPARSE.replace("KEEP", "windows"), bench_change=("board_din = true", "board_din = false")
    )
    with pytest.raises(BenchError, match="keep"):
        prepare(made)


@pytest.mark.parametrize("share", [0.0, 0.31, 0.77])
@pytest.mark.parametrize("name", ["windows.jsonl", "sensor.wav"])
def test_cut_windows_are_read_as_far_as_they_go(
    both: dict[str, Path], tmp_path: Path, name: str, share: float
) -> None:
    """Index or sound cut short: incomplete, what is left is right, and a copy holds the same."""
    path = Path(shutil.copytree(both["windows"], tmp_path / "run"))
    content = (path / name).read_bytes()
    (path / name).write_bytes(
        content[: max(int(share * len(content)), 200 if "wav" in name else 0)]
    )
    (path / "stop.json").unlink()
    run = RunReader.open(path)
    assert run.status == "incomplete"
    whole = RunReader.open(both["all"]).audio
    frames = 0
    for first, samples in run.audio.blocks():
        np.testing.assert_array_equal(samples, whole.window(first, len(samples)))
        frames += len(samples)
    recover_copy(path, tmp_path / "copy")
    again = RunReader.open(tmp_path / "copy")
    assert sum(len(samples) for _, samples in again.audio.blocks()) == frames
    assert again.audio.frame_count == run.audio.frame_count


def test_an_index_that_was_changed_is_refused(both: dict[str, Path], tmp_path: Path) -> None:
    """A row taken out, or the whole index gone: nobody could tell when what sounded."""
    path = Path(shutil.copytree(both["windows"], tmp_path / "run"))
    rows = (path / "windows.jsonl").read_text().splitlines(keepends=True)
    (path / "windows.jsonl").write_text("".join(rows[:4] + rows[5:]))
    with pytest.raises(BadFileError, match="line 5"):
        RunReader.open(path)
    (path / "windows.jsonl").unlink()
    with pytest.raises(BadFileError, match="is missing"):
        RunReader.open(path)


def test_a_full_disk_keeps_what_was_recorded(both: dict[str, Path], tmp_path: Path) -> None:
    """The run is failed, and what is there is right."""
    with largest_file(1_500_000):
        result = run_short(tmp_path / "run", "seed=5", protocol=SPARSE.replace("KEEP", "windows"))
    assert result.outcome == "failed"
    run = RunReader.open(tmp_path / "run")
    assert run.status == "failed"
    whole = RunReader.open(both["all"]).audio
    pieces = list(run.audio.blocks())
    assert sum(len(samples) for _, samples in pieces) > 100_000
    for first, samples in pieces:
        np.testing.assert_array_equal(samples, whole.window(first, len(samples)))
