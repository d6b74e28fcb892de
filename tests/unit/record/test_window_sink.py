"""The sink that keeps windows: what is loud is kept with its surroundings, in whatever pieces it came."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from rig.record.audio_file import AudioReader
from rig.record.window_sink import CHUNK, WindowSink

RATE_HZ = 48_000
ROLES = {"sensor": 0, "marker": 1}


def keep(path: Path, samples: np.ndarray, pieces: list[int]) -> AudioReader:
    """Write samples in pieces of these sizes, over and over, and open what was kept."""
    path.mkdir()
    sink = WindowSink(path / "a.wav", path / "w.jsonl", RATE_HZ, 2, [0, 1], 60.0, 100.0)
    first, turn = 0, 0
    while first < len(samples):
        size = pieces[turn % len(pieces)]
        sink.write(samples[first : first + size])
        first, turn = first + size, turn + 1
    assert sink.frames_written == len(samples)
    sink.close()
    return AudioReader(path / "a.wav", RATE_HZ, ROLES, path / "w.jsonl")


@pytest.fixture(scope="module")
def samples() -> np.ndarray:
    """Nine seconds of noise at −80 dBFS; a ringing stroke at 2 s, a lone marker at 5 s, a click at 8."""
    rng = np.random.default_rng(11)
    out = rng.normal(0, 1e-4, (9 * RATE_HZ + 77, 2))
    t = np.arange(RATE_HZ // 2) / RATE_HZ
    out[2 * RATE_HZ :][: len(t), 0] += 0.4 * np.exp(-t / 0.05) * np.sin(2 * np.pi * 300 * t)
    out[5 * RATE_HZ :][: RATE_HZ // 1000, 1] += 0.5
    out[8 * RATE_HZ, 0] += 0.05
    return out.astype(np.float32)


def test_each_loud_event_is_kept_with_its_surroundings(tmp_path: Path, samples: np.ndarray) -> None:
    """60 ms before and 100 ms after each, to the chunk, and no other; a stray click is kept too."""
    audio = keep(tmp_path / "a", samples, [4096])
    assert audio.windows is not None
    assert audio.frame_count == len(samples)
    begins = audio.windows.first / RATE_HZ
    ends = begins + audio.windows.frames / RATE_HZ
    chunk_s = CHUNK / RATE_HZ
    assert len(begins) == 3
    for at_s, begin_s, end_s in zip((2.0, 5.0, 8.0), begins, ends, strict=True):
        assert at_s - 0.06 - 2 * chunk_s < begin_s <= at_s - 0.06
        assert at_s + 0.1 <= end_s < at_s + 0.1 + 12 * chunk_s
    # what was left out is as loud as its noise
    np.testing.assert_allclose(audio.windows.rms[:, 1], 1e-4, rtol=0.03)
    assert audio.windows.peak[:, 1].max() < 6e-4


@pytest.mark.parametrize("pieces", [[1, 255, 256, 257], [97], [100_000], [3, 70_001]])
def test_pieces_do_not_matter_where_it_is_loud(
    tmp_path: Path, samples: np.ndarray, pieces: list[int]
) -> None:
    """However the stream is sliced, the same sound lies at the same frames."""
    audio = keep(tmp_path / "a", samples, pieces)
    assert audio.windows is not None
    for at in (2, 5, 8):
        first = at * RATE_HZ - 2880
        assert audio.windows.holds(np.array([first]), np.array([first + 7000])).all()
        read = audio.window(first, 7000)
        np.testing.assert_allclose(read, samples[first : first + 7000], atol=2**-23)
    rest = np.concatenate([audio.windows.first, audio.windows.rest_first])
    frames = np.concatenate([audio.windows.frames, audio.windows.rest_frames])
    order = np.argsort(rest)
    np.testing.assert_array_equal(np.cumsum(frames[order])[:-1], rest[order][1:])
    assert frames.sum() == len(samples)


def test_steady_noise_and_hum_are_no_events(tmp_path: Path) -> None:
    """A minute of loud hum: nothing rises out of it but its beginning."""
    t = np.arange(60 * RATE_HZ) / RATE_HZ
    hum = 0.1 * np.sin(2 * np.pi * 50 * t) + np.random.default_rng(2).normal(0, 1e-3, len(t))
    audio = keep(tmp_path / "a", np.stack([hum, 0 * hum], axis=1).astype(np.float32), [4096])
    assert audio.stored_count < 2 * RATE_HZ


def test_samples_that_are_no_numbers_leave_it_as_it_was(tmp_path: Path) -> None:
    """None of a bad block is taken, and the next one follows what was there."""
    sink = WindowSink(tmp_path / "a.wav", tmp_path / "w", RATE_HZ, 2, [0], 60.0, 100.0)
    sink.write(np.zeros((1000, 2)))
    for bad in (np.full((10, 2), np.nan), np.zeros((10, 3))):
        with pytest.raises(ValueError, match=r"finite|asked for"):
            sink.write(bad)
    sink.write(np.zeros((1000, 2)))
    sink.close()
    assert AudioReader(tmp_path / "a.wav", RATE_HZ, ROLES, tmp_path / "w").frame_count == 2000


def test_no_frame_at_all(tmp_path: Path) -> None:
    """A run that ended before any sound came: an empty time line."""
    audio = keep(tmp_path / "a", np.zeros((0, 2), dtype=np.float32), [1])
    assert (audio.frame_count, audio.stored_count) == (0, 0)
    assert list(audio.blocks()) == []
    assert len(audio.window(0, 5)) == 0
