"""The recording against libsndfile, an independent reader and writer of RF64."""

from __future__ import annotations

import struct

import numpy as np
import pytest
import soundfile

from rig.record.audio_file import AudioReader, AudioSink
from rig.record.bench_fault import BadFileError

ROLES = {"sensor": 0, "marker": 1, "din_line": 2}


@pytest.fixture
def recording(tmp_path):
    """1000 frames of three channels, and the samples."""
    samples = np.random.default_rng(3).uniform(-1, 1, (1000, 3)).astype(np.float32)
    sink = AudioSink(tmp_path / "x.wav", 48_000, 3)
    sink.write(samples[:400])
    sink.write(samples[400:])
    sink.close()
    return tmp_path / "x.wav", samples


def test_libsndfile_reads_the_same(recording):
    """An RF64 file of 24 bit, whose samples libsndfile reads to the last bit as we do."""
    path, _ = recording
    info = soundfile.info(path)
    assert (info.format, info.subtype, info.frames) == ("RF64", "PCM_24", 1000)
    peer, rate = soundfile.read(path, dtype="float32")
    reader = AudioReader(path, 48_000, ROLES)
    np.testing.assert_array_equal(reader.window(0, 1000), peer)
    assert rate == 48_000
    assert not reader.cut
    assert reader.duration_s == pytest.approx(1000 / 48_000)


def test_header_is_that_of_the_standard(recording):
    """RF64 has its true sizes in ds64, all ones before (EBU Tech 3306; from memory)."""
    content = recording[0].read_bytes()
    assert content[:4] == b"RF64"
    assert content[4:8] == b"\xff\xff\xff\xff"
    assert content[8:16] == b"WAVEds64"
    riff_size, data_size, sample_count = struct.unpack_from("<QQQ", content, 20)
    assert (riff_size, data_size, sample_count) == (len(content) - 8, 1000 * 9, 1000)


def test_a_plain_wav_is_read_too(tmp_path):
    """A 24-bit WAV of another program is read by its own header, odd chunks skipped."""
    samples = np.random.default_rng(4).uniform(-1, 1, (50, 3))
    soundfile.write(tmp_path / "w.wav", samples, 48_000, subtype="PCM_24")
    content = (tmp_path / "w.wav").read_bytes()
    at = content.index(b"data")
    (tmp_path / "w.wav").write_bytes(content[:at] + b"note\x03\0\0\0abc\0" + content[at:])
    reader = AudioReader(tmp_path / "w.wav", 48_000, ROLES)
    np.testing.assert_allclose(reader.window(0, 50), samples, atol=2**-23)


def test_blocks_and_windows_agree(recording):
    """Blocks follow each other without gap; windows are cut at the ends of the recording."""
    path, samples = recording
    reader = AudioReader(path, 48_000, ROLES)
    firsts, blocks = zip(*reader.blocks(300), strict=True)
    assert firsts == (0, 300, 600, 900)
    np.testing.assert_allclose(np.concatenate(blocks), samples, atol=2**-23)
    assert reader.window(-5, 10).shape == (5, 3)
    assert reader.window(995, 10).shape == (5, 3)
    assert reader.window(2000, 10).shape == (0, 3)
    assert reader.window(10, 0).shape == (0, 3)
    np.testing.assert_array_equal(reader.window(250, 100), np.concatenate(blocks)[250:350])


def test_beyond_full_scale_is_clipped(tmp_path):
    """A sample beyond ±1 is recorded as full scale, never wrapped round."""
    sink = AudioSink(tmp_path / "c.wav", 48_000, 1)
    sink.write(np.array([[1.5], [-1.5], [1.0]]))
    sink.close()
    read = AudioReader(tmp_path / "c.wav", 48_000, {"sensor": 0}).window(0, 3)[:, 0]
    np.testing.assert_allclose(read, [1, -1, 1], atol=2**-22)


@pytest.mark.parametrize(
    "wrong", [np.zeros((5, 2)), np.zeros(5), np.full((5, 3), np.nan), np.full((5, 3), np.inf)]
)
def test_what_is_no_sample_block_is_not_written(tmp_path, wrong):
    """Wrong shape, NaN and infinity are refused, and nothing of the block is written."""
    sink = AudioSink(tmp_path / "n.wav", 48_000, 3)
    with pytest.raises(ValueError, match="samples"):
        sink.write(wrong)
    sink.close()
    assert AudioReader(tmp_path / "n.wav", 48_000, ROLES).frame_count == 0


def test_no_frame_is_a_whole_recording(tmp_path):
    """An input that gave nothing leaves an empty recording that reads as such."""
    sink = AudioSink(tmp_path / "e.wav", 48_000, 3)
    sink.write(np.zeros((0, 3), dtype=np.float32))
    sink.close()
    reader = AudioReader(tmp_path / "e.wav", 48_000, ROLES)
    assert (reader.frame_count, list(reader.blocks())) == (0, [])
    assert reader.window(0, 9).shape == (0, 3)


def test_other_rate_channels_and_depth_are_told_at_once(tmp_path):
    """A file that is not what the start record says is refused with each difference."""
    soundfile.write(tmp_path / "o.wav", np.zeros((9, 2)), 44_100, subtype="PCM_16")
    with pytest.raises(BadFileError) as caught:
        AudioReader(tmp_path / "o.wav", 48_000, ROLES)
    assert len(caught.value.faults) == 3
    (tmp_path / "t.wav").write_text("no sound at all")
    with pytest.raises(BadFileError, match="not an RF64"):
        AudioReader(tmp_path / "t.wav", 48_000, ROLES)
