"""A disk that takes no more: the run ends as failed, and all that was recorded is kept."""

from __future__ import annotations

import numpy as np
import pytest
from full_disk import largest_file
from record_texts import begin_run

from rig.record.record_error import RecordError
from rig.record.run_folder import RecordingSink, RunReader, RunWriter, verify


def strike_on(writer: RunWriter) -> None:
    """Record more events than there is room for."""
    for strike in range(100_000):
        writer.event("coil_on", "controller", strike, value=0, strike=strike)


def write_on(sink: RecordingSink, block: np.ndarray) -> None:
    """Record more samples than there is room for."""
    for _ in range(100):
        sink.write(block)


def test_events_find_no_room(tmp_path):
    """Whole events up to the limit are kept, counted and summed; the run is failed."""
    with begin_run(tmp_path / "run") as writer, largest_file(200_003):
        with pytest.raises(RecordError, match=r"failed.*kept"):
            strike_on(writer)
        with pytest.raises(RecordError, match="closed"):
            writer.event("coil_on", "controller", 0)
    run = RunReader.open(tmp_path / "run")
    assert run.status == "failed"
    assert len(run.events) > 1000
    assert (tmp_path / "run" / "events.jsonl").stat().st_size > 199_000
    assert len(verify(tmp_path / "run")) == 1  # that it failed, and nothing else


@pytest.mark.parametrize(("coding", "held_back"), [("rf64", 0), ("flac", 4096)])
def test_the_recording_finds_no_room(tmp_path, coding, held_back):
    """Samples up to the limit are kept, and the events beside them; of FLAC, its whole frames."""
    block = np.random.default_rng(1).uniform(-1, 1, (1000, 2)).astype(np.float32)
    with begin_run(tmp_path / "run", coding) as writer, largest_file(100_001):
        sink = writer.open_audio(96_000, 2)
        writer.event("note", "host", 1, text="begun")
        with pytest.raises(RecordError, match="writing the recording failed"):
            write_on(sink, block)
        written = sink.frames_written
    run = RunReader.open(tmp_path / "run")
    assert run.status == "failed"
    assert run.events["text"].tolist() == ["begun"]
    assert run.audio.frame_count >= written - held_back > 8_000
    first = run.audio.window(0, 1000)
    np.testing.assert_allclose(first, block, atol=2**-23)
    assert len(verify(tmp_path / "run")) == 1


def test_no_room_for_the_stop_record(tmp_path):
    """Then the run is incomplete, said so, and readable."""
    writer = begin_run(tmp_path / "run")
    writer.event("note", "host", 1, text="begun")
    writer.flush()
    with largest_file(100), pytest.raises(RecordError, match="incomplete"):
        writer.close("complete")
    run = RunReader.open(tmp_path / "run")
    assert run.status == "incomplete"
    assert len(run.events) == 1


def test_no_room_to_start(tmp_path):
    """A run that can't be begun says that nothing was struck."""
    with largest_file(300), pytest.raises(RecordError, match="Nothing has been struck"):
        begin_run(tmp_path / "run")
