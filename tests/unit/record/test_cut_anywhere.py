"""A run folder cut at any byte of any file is incomplete or refused, never complete."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from record_texts import begin_run

from rig.record.audio_file import AudioReader
from rig.record.bench_fault import BenchError
from rig.record.run_folder import RunReader, verify

FILES = (
    "start.json",
    "protocol.toml",
    "bench.toml",
    "specimen.toml",
    "plan.csv",
    "bursts.csv",
    "events.jsonl",
    "sensor.wav",
    "stop.json",
)


@pytest.fixture(scope="module")
def open_run(tmp_path_factory, samples) -> Path:
    """A run whose program died: no stop record, and a header without lengths."""
    path = tmp_path_factory.mktemp("died") / "run"
    writer = begin_run(path)
    audio = writer.open_audio(96_000, 2)
    for strike in range(12):
        writer.event("coil_on", "controller", strike, value=0, strike=strike)
    audio.write(samples)
    writer.flush()
    # the folder as it stands on the disk at this moment
    shutil.copytree(path, path.with_name("died"))
    writer.close("failed")
    return path.with_name("died")


def _all_that_is_readable(path: Path) -> str:
    """Open and read a folder; its status, or "refused"."""
    try:
        run = RunReader.open(path)
    except BenchError as error:
        assert verify(path), "a folder that can't be opened verifies as faultless"
        for fault in str(error).splitlines():
            assert "Copy the run again" in fault or "give the one that run" in fault, fault
        return "refused"
    for part in ("protocol", "bench", "specimen", "plan"):
        getattr(run, part)
    assert list(run.events["n"]) == list(range(len(run.events)))
    frames = sum(len(block) for _, block in run.audio.blocks(10))
    assert frames == run.audio.frame_count
    assert run.status == "complete" or run.faults
    assert bool(verify(path)) == (run.status != "complete")
    return run.status


@pytest.mark.parametrize("closed", [True, False])
def test_cut_at_any_byte(complete_run, open_run, closed):
    """Whatever is left is read as incomplete or refused with a sentence."""
    whole = complete_run if closed else open_run
    names = [name for name in FILES if (whole / name).exists()]

    @settings(max_examples=120, deadline=None, suppress_health_check=list(HealthCheck))
    @given(name=st.sampled_from(names), share=st.floats(0, 1, exclude_max=True))
    def cut(name: str, share: float) -> None:
        with tempfile.TemporaryDirectory() as place:
            path = Path(shutil.copytree(whole, Path(place) / "run"))
            content = (path / name).read_bytes()
            (path / name).write_bytes(content[: int(share * len(content))])
            assert _all_that_is_readable(path) in ("incomplete", "refused")

    cut()


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("start.json", "cut off; its last line end is missing. It stands whole on the disk before"),
        ("plan.csv", "has been changed or cut since it was recorded, and can't be trusted. Copy"),
    ],
)
def test_what_was_written_before_the_first_strike_tells_what_to_do_if_cut(
    complete_run, tmp_path, name, told
):
    """Without these nothing can be read; the person is told where to get them from."""
    path = Path(shutil.copytree(complete_run, tmp_path / "run"))
    (path / name).write_bytes((path / name).read_bytes()[:-9])
    (path / "stop.json").unlink()
    with pytest.raises(BenchError) as refused:
        RunReader.open(path)
    assert told in str(refused.value)
    assert str(path / name) in str(refused.value)


@pytest.mark.parametrize("name", FILES)
def test_last_byte_lost(complete_run, tmp_path, name):
    """One byte off the end is enough: the run is no longer complete."""
    path = Path(shutil.copytree(complete_run, tmp_path / "run"))
    content = (path / name).read_bytes()
    (path / name).write_bytes(content[:-1])
    assert _all_that_is_readable(path) in ("incomplete", "refused")


@pytest.mark.parametrize("name", FILES)
def test_file_lost(complete_run, tmp_path, name):
    """A whole file gone: refused, or incomplete if it was the stop record."""
    path = Path(shutil.copytree(complete_run, tmp_path / "run"))
    (path / name).unlink()
    assert _all_that_is_readable(path) == ("incomplete" if name == "stop.json" else "refused")


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(place=st.integers(0, 10_000), junk=st.binary(min_size=1, max_size=40))
def test_junk_in_the_events(complete_run, place, junk):
    """Bytes put into the log of a closed run are never taken for a part of it."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(shutil.copytree(complete_run, Path(folder) / "run"))
        events = (path / "events.jsonl").read_bytes()
        place %= len(events)
        (path / "events.jsonl").write_bytes(events[:place] + junk + events[place:])
        assert _all_that_is_readable(path) in ("incomplete", "refused")


@pytest.mark.parametrize("closed", [True, False])
def test_every_cut_of_the_recording_keeps_its_whole_frames(
    complete_run, open_run, tmp_path, samples, closed
):
    """Cut at each byte, the header's too, all whole frames before the cut come back right."""
    content = ((complete_run if closed else open_run) / "sensor.wav").read_bytes()
    header = content.index(b"data") + 8
    path = tmp_path / "cut.wav"
    for end in range(len(content) + 1):
        path.write_bytes(content[:end])
        reader = AudioReader(path, 96_000, {"sensor": 0, "marker": 1})
        assert reader.frame_count == min(max(0, end - header) // 6, 37)
        read = reader.window(0, 1000)
        np.testing.assert_allclose(read, samples[: len(read)], atol=2**-23)
        assert len(read) == reader.frame_count
