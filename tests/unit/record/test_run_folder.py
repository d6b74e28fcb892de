"""A run folder gives back what went in, and tells what is wrong with it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile
from record_texts import BENCH_TEXT, PROTOCOL_TEXT, SPECIMEN_TEXT, begin_run

from rig.record.bench_fault import BadFileError
from rig.record.plan import make_plan
from rig.record.record_error import RecordError
from rig.record.run_folder import RunReader, verify
from rig.record.run_records import sha256_of


def test_gives_back_all_that_went_in(complete_run, protocol, bench, specimen, samples):
    """Files, plan, events and samples come back; 64-bit stamps keep their last bit."""
    run = RunReader.open(complete_run)
    assert (run.status, run.faults, verify(complete_run)) == ("complete", [], [])
    assert (run.protocol, run.bench, run.specimen) == (protocol, bench, specimen)
    for name, text in (("protocol", PROTOCOL_TEXT), ("bench", BENCH_TEXT)):
        assert (complete_run / f"{name}.toml").read_text() == text
    plan = make_plan(protocol, bench)
    pd.testing.assert_frame_equal(run.plan.strikes, plan.strikes)
    pd.testing.assert_frame_equal(run.plan.bursts, plan.bursts)
    assert run.events["stamp_int"].tolist() == [2**60 + strike for strike in range(12)]
    assert run.events["strike"].tolist() == list(range(12))
    assert run.audio.roles == {"sensor": 0, "marker": 1}
    assert run.start.calibrated
    np.testing.assert_allclose(run.audio.window(0, 100), samples, atol=2**-23)


def test_stop_record_counts_all_streams(complete_run):
    """The stop record is plain JSON with counts that anyone can check."""
    stop = json.loads((complete_run / "stop.json").read_text())
    counts = {name: stream["count"] for name, stream in stop["streams"].items()}
    lines = (complete_run / "events.jsonl").read_text().splitlines()
    assert counts["events.jsonl"] == len(lines) == 12
    # libsndfile reads the recording as a peer
    assert counts["sensor.wav"] == soundfile.info(complete_run / "sensor.wav").frames == 37
    assert counts["plan.csv"] == len(pd.read_csv(complete_run / "plan.csv"))


def test_start_record_is_there_before_anything_happens(tmp_path):
    """A run that never got further reads as incomplete, with its plan."""
    begin_run(tmp_path / "run")
    run = RunReader.open(tmp_path / "run")
    assert run.status == "incomplete"
    assert len(run.plan.strikes) > 0
    assert run.events.empty
    assert any("no stop record" in fault for fault in run.faults)
    with pytest.raises(BadFileError, match="no recording"):
        _ = run.audio


def test_nothing_is_overwritten(complete_run):
    """A second run under the same name is refused, and the first stays whole."""
    with pytest.raises(RecordError, match="exists"):
        begin_run(complete_run)
    assert verify(complete_run) == []


@pytest.mark.parametrize(
    ("error", "status"), [(KeyboardInterrupt(), "stopped"), (RuntimeError("odd"), "failed")]
)
def test_left_by_an_error_it_is_closed(tmp_path, error, status):
    """Control-C stops a run, any other error fails it; what was recorded is there."""

    def leave() -> None:
        with begin_run(tmp_path / "run") as writer:
            writer.event("note", "host", 1, text="ünïcode\nline")
            raise error

    with pytest.raises(type(error)):
        leave()
    run = RunReader.open(tmp_path / "run")
    assert run.status == status
    assert run.events["text"].tolist() == ["ünïcode\nline"]


def test_left_without_a_word_it_is_failed(tmp_path):
    """Only close() makes a run complete."""
    with begin_run(tmp_path / "run"):
        pass
    assert RunReader.open(tmp_path / "run").status == "failed"


def test_closed_is_closed(tmp_path):
    """Nothing is recorded after close, and a second close changes nothing."""
    writer = begin_run(tmp_path / "run")
    sink = writer.open_audio(96_000, 2)
    writer.close("stopped", "by hand")
    for late in (
        lambda: writer.event("note", "host", 0),
        writer.flush,
        lambda: sink.write(np.zeros((1, 2))),
    ):
        with pytest.raises(RecordError, match="closed"):
            late()
    writer.close("complete")
    run = RunReader.open(tmp_path / "run")
    assert run.status == "stopped"
    assert run.stop is not None
    assert run.stop.reason == "by hand"


def test_audio_other_than_the_start_record_says_is_refused(tmp_path):
    """Rate and channels are facts of the run; an input that differs can't be recorded."""
    with begin_run(tmp_path / "run") as writer:
        with pytest.raises(RecordError, match="3 channels at 48000 Hz"):
            writer.open_audio(48_000, 3)
        writer.close("failed", "audio")


def test_samples_that_are_no_numbers_are_refused(tmp_path):
    """An input that gives NaN is told, nothing of the block is recorded, and the run goes on."""
    with begin_run(tmp_path / "run") as writer:
        sink = writer.open_audio(96_000, 2)
        with pytest.raises(RecordError, match="the audio input gave samples that are not finite"):
            sink.write(np.full((4, 2), np.nan))
        sink.write(np.zeros((3, 2)))
        writer.close("complete")
    assert RunReader.open(tmp_path / "run").audio.frame_count == 3


@pytest.mark.parametrize(
    "name", ["protocol.toml", "bench.toml", "specimen.toml", "plan.csv", "bursts.csv", "start.json"]
)
def test_a_changed_file_is_refused(copy_of_run, name):
    """One byte changed in any small file, and the folder can't be trusted."""
    content = bytearray((copy_of_run / name).read_bytes())
    content[len(content) // 2] ^= 1
    (copy_of_run / name).write_bytes(content)
    with pytest.raises(BadFileError, match=name):
        RunReader.open(copy_of_run)


def test_verify_finds_a_changed_sample(copy_of_run):
    """A recording of the right length with a flipped bit is found by its checksum."""
    path = copy_of_run / "sensor.wav"
    content = bytearray(path.read_bytes())
    content[-1] ^= 1
    path.write_bytes(content)
    assert [fault for fault in verify(copy_of_run) if "sensor.wav" in fault]


def test_all_missing_files_are_told_at_once(copy_of_run):
    """Each missing file is named in one error."""
    for name in ("protocol.toml", "plan.csv"):
        (copy_of_run / name).unlink()
    with pytest.raises(BadFileError) as caught:
        RunReader.open(copy_of_run)
    assert len(caught.value.faults) == 2


def test_verify_tells_all_faults_at_once(copy_of_run):
    """A lost file, a changed one, and a recording with a flipped bit: a sentence each."""
    (copy_of_run / "bench.toml").unlink()
    for name in ("events.jsonl", "sensor.wav"):
        content = bytearray((copy_of_run / name).read_bytes())
        content[-3] ^= 1
        (copy_of_run / name).write_bytes(content)
    faults = verify(copy_of_run)
    assert len(faults) == 3
    for name in ("bench.toml: is missing", "events.jsonl: has been", "sensor.wav: has been"):
        assert [name for fault in faults if name in fault]
    with pytest.raises(BadFileError) as caught:
        RunReader.open(copy_of_run)
    assert len(caught.value.faults) == 2  # the recording is summed where it is read


def test_verify_holds_the_folder_against_any_stop_record(copy_of_run):
    """One that counts no plan, and a file that is not there, is told, not a traceback."""
    path = copy_of_run / "stop.json"
    stop = json.loads(path.read_text())
    stop["streams"]["more.bin"] = stop["streams"].pop("plan.csv")
    path.write_text(json.dumps(stop, indent=1) + "\n")
    faults = verify(copy_of_run)
    assert [fault for fault in faults if "more.bin: is missing" in fault]
    assert [fault for fault in faults if "plan.csv: " in fault and "counts 0" in fault]


def test_verify_tells_a_plan_that_is_none_beside_the_rest(copy_of_run):
    """Of a folder whose checksums hold, but whose plan and protocol another program wrote."""
    path = copy_of_run / "start.json"
    start, stop = (
        json.loads((copy_of_run / name).read_text()) for name in ("start.json", "stop.json")
    )
    for name in ("plan.csv", "protocol.toml"):
        (copy_of_run / name).write_text("a = 1\n")
        start["files"][name] = sha256_of(copy_of_run / name)
    path.write_text(json.dumps(start, indent=1) + "\n")
    for name in ("plan.csv", "protocol.toml", "start.json"):
        file = copy_of_run / name
        stop["streams"][name] |= {"bytes": file.stat().st_size, "sha256": sha256_of(file)}
    (copy_of_run / "stop.json").write_text(json.dumps(stop, indent=1) + "\n")
    faults = verify(copy_of_run)
    for name in ("protocol.toml", "plan.csv"):
        assert [fault for fault in faults if name in fault]


def test_another_format_version_is_refused(tmp_path):
    """A folder of a later format is not guessed at."""
    begin_run(tmp_path / "run")
    path = tmp_path / "run" / "start.json"
    path.write_text(path.read_text().replace('"format_version": 1', '"format_version": 2'))
    with pytest.raises(BadFileError, match="format version 2 found"):
        RunReader.open(tmp_path / "run")


def test_no_folder_is_an_error(tmp_path):
    """A path without a run is told, not a traceback."""
    with pytest.raises(BadFileError, match="no run folder"):
        RunReader.open(tmp_path / "nothing")
    assert verify(tmp_path / "nothing")


def test_specimen_text_is_kept(complete_run: Path):
    """The specimen file stands in the folder byte for byte."""
    assert (complete_run / "specimen.toml").read_bytes() == SPECIMEN_TEXT.encode()
