"""FLAC recordings against libsndfile (libFLAC), an independent reader and writer."""

from __future__ import annotations

import dataclasses
import shutil
from pathlib import Path

import msgspec
import numpy as np
import pytest
import soundfile
from record_texts import BENCH_TEXT, PROTOCOL_TEXT, SPECIMEN_TEXT, begin_run

from rig.cli.main import main
from rig.preparation import prepare
from rig.record.audio_file import AudioReader, AudioSink
from rig.record.bench_fault import BadFileError, BenchError
from rig.record.bench_file import AudioChannel
from rig.record.flac_frames import MOST_CHANNELS, read_stream_info
from rig.record.loaders import parse_protocol
from rig.record.run_folder import RunReader, verify
from rig.record.window_sink import WindowSink
from rig.run_files import RunFiles

ROLES = {"sensor": 0, "marker": 1}
RATE_HZ = 48_000
BLOCK = 4096
FRAMES = 5 * BLOCK + 1234


def sound(frames: int = FRAMES) -> np.ndarray:
    """Noise, silence, full scale and a tone: samples of 24 bit, both channels."""
    rng = np.random.default_rng(8)
    made = rng.normal(0, 0.1, (frames, 2))
    made[BLOCK : 2 * BLOCK] = 0.0
    made[2 * BLOCK : 2 * BLOCK + 100] = [1 - 2**-23, -1]
    made[3 * BLOCK :, 0] = 0.5 * np.sin(np.arange(frames - 3 * BLOCK) * 0.05)
    return (np.round(np.clip(made, -1, 1 - 2**-23) * 2**23) / 2**23).astype(np.float32)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, bytes, np.ndarray]:
    """A closed recording, the same as it stood before it was closed, and its samples."""
    path = tmp_path_factory.mktemp("flac") / "x.flac"
    sink, samples = AudioSink(path, RATE_HZ, 2, "flac"), sound()
    for first in range(0, FRAMES, 1000):
        sink.write(samples[first : first + 1000])
    sink.flush()
    dead = path.read_bytes()
    sink.close()
    return path, dead, samples


def test_libsndfile_reads_the_same(made: tuple[Path, bytes, np.ndarray]) -> None:
    """Sample for sample, 24 bit, by its reader and by ours, in any piece."""
    path, _, samples = made
    info = soundfile.info(path)
    assert (info.format, info.subtype, info.frames) == ("FLAC", "PCM_24", FRAMES)
    np.testing.assert_array_equal(soundfile.read(path, dtype="float32")[0], samples)
    reader = AudioReader(path, RATE_HZ, ROLES)
    assert (reader.frame_count, reader.cut) == (FRAMES, False)
    for first, count in ((0, FRAMES), (4090, 10), (BLOCK, 1), (9000, 9000), (FRAMES - 5, 50)):
        np.testing.assert_array_equal(reader.window(first, count), samples[first : first + count])
    np.testing.assert_array_equal(
        np.concatenate([block for _, block in reader.blocks(3000)]), samples
    )
    assert path.stat().st_size < FRAMES * 6


def test_more_frames_than_a_byte_counts(tmp_path: Path) -> None:
    """Frame numbers are coded in one byte to seven; each way of up to three is met."""
    samples = np.zeros((2100 * 576, 1), dtype=np.float32)
    samples[:, 0] = np.arange(len(samples)) % 1000 / 2**23
    soundfile.write(tmp_path / "x.flac", samples, RATE_HZ, subtype="PCM_24", compression_level=0)
    blocks = len(samples) / read_stream_info((tmp_path / "x.flac").read_bytes()[:4096]).block_frames
    assert blocks > 128
    reader = AudioReader(tmp_path / "x.flac", RATE_HZ, {"sensor": 0})
    assert reader.frame_count == len(samples)
    np.testing.assert_array_equal(reader.window(1_000_000, 5000), samples[1_000_000:1_005_000])


@pytest.mark.parametrize("closed", [True, False])
def test_cut_at_any_byte_all_whole_blocks_come_back(
    made: tuple[Path, bytes, np.ndarray], tmp_path: Path, closed: bool
) -> None:
    """Killed, or cut later: what stands before the cut is read, and no sample is wrong."""
    path, dead, samples = made
    content = path.read_bytes() if closed else dead
    places = np.random.default_rng(1).integers(0, len(content), 150)
    heard = []
    for end in sorted({*places.tolist(), *range(100), len(content) - 1, len(content)}):
        (tmp_path / "cut.flac").write_bytes(content[:end])
        reader = AudioReader(tmp_path / "cut.flac", RATE_HZ, ROLES)
        read = reader.window(0, FRAMES)
        np.testing.assert_array_equal(read, samples[: len(read)])
        assert len(read) == reader.frame_count
        assert len(read) % BLOCK == 0 or len(read) == FRAMES
        assert reader.cut or end in (0, len(content)) or not len(read)
        heard.append(len(read))
    assert heard == sorted(heard)
    assert heard[-1] == (FRAMES if closed else 5 * BLOCK)
    assert len(set(heard)) >= 5


def test_a_damaged_block_is_refused_and_the_rest_is_read(
    made: tuple[Path, bytes, np.ndarray], tmp_path: Path
) -> None:
    """A changed bit is found by libFLAC's checksum, and told with what to do."""
    path, _, samples = made
    content = bytearray(path.read_bytes())
    content[len(content) // 6] ^= 4
    (tmp_path / "bad.flac").write_bytes(content)
    reader = AudioReader(tmp_path / "bad.flac", RATE_HZ, ROLES)
    np.testing.assert_array_equal(reader.window(3 * BLOCK, BLOCK), samples[3 * BLOCK : 4 * BLOCK])
    with pytest.raises(BadFileError, match=r"damaged between frames 0 and 4096. Copy the run"):
        reader.window(0, BLOCK)


def test_a_run_in_flac_is_whole_cut_and_recovered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Closed it verifies; killed it is incomplete, and ``recover`` copies what there is."""
    samples = sound()
    writer = begin_run(tmp_path / "run", "flac")
    audio = writer.open_audio(96_000, 2)
    audio.write(samples)
    writer.event("note", "host", 1, text="begun")
    writer.flush()
    shutil.copytree(tmp_path / "run", tmp_path / "killed")
    writer.close("complete")
    run = RunReader.open(tmp_path / "run")
    assert verify(tmp_path / "run") == []
    assert run.stop is not None
    assert run.stop.streams["sensor.flac"].count == FRAMES
    np.testing.assert_array_equal(run.audio.window(0, FRAMES), samples)
    killed = RunReader.open(tmp_path / "killed")
    assert killed.status == "incomplete"
    assert any("not finished" in fault for fault in killed.faults)
    monkeypatch.setattr("sys.argv", ["strikebench", "recover", str(tmp_path / "killed")])
    with pytest.raises(SystemExit) as end:
        main()
    assert end.value.code == 0
    (copy,) = tmp_path.glob("killed*recovered*")
    recovered, _ = soundfile.read(copy / "sensor.flac", dtype="float32")
    np.testing.assert_array_equal(recovered, samples[: 5 * BLOCK])
    assert RunReader.open(copy).status == "incomplete"


def test_windows_in_flac(tmp_path: Path) -> None:
    """The same windows are kept as in RF64, to the last bit but one of rounding."""
    rng = np.random.default_rng(2)
    samples = rng.normal(0, 1e-4, (RATE_HZ * 3, 2)).astype(np.float32)
    for at in (40_000, 100_000):
        samples[at : at + 500] += rng.normal(0, 0.3, (500, 2)).astype(np.float32)
    readers = []
    for coding in ("rf64", "flac"):
        sink = WindowSink(
            tmp_path / coding, tmp_path / f"{coding}.jsonl", RATE_HZ, 2, [0, 1], 60.0, 100.0, coding
        )
        for first in range(0, len(samples), 5000):
            sink.write(samples[first : first + 5000])
        sink.close()
        readers.append(AudioReader(tmp_path / coding, RATE_HZ, ROLES, tmp_path / f"{coding}.jsonl"))
    assert [reader.faults for reader in readers] == [[], []]
    wide, flac = (reader.window(0, len(samples)) for reader in readers)
    np.testing.assert_allclose(wide, flac, atol=2**-23, rtol=0)
    assert 0.05 < np.isfinite(flac[:, 0]).mean() < 0.5


def test_more_channels_than_flac_holds_are_refused_before_anything_is_touched() -> None:
    """Nine channels: told with the most that is allowed, and the way out."""
    text = PROTOCOL_TEXT + '\n[record]\ncoding = "flac"\n'
    role = "module_out"
    channels = tuple(AudioChannel(number=k + 1, role=role) for k in range(MOST_CHANNELS + 1))
    files = RunFiles.from_texts(text, BENCH_TEXT, SPECIMEN_TEXT)
    bench = files.bench
    nine = msgspec.structs.replace(
        bench, audio=msgspec.structs.replace(bench.audio, channels=channels)
    )
    with pytest.raises(BenchError, match=r"9 audio channels, and a FLAC file holds 8 .*rf64"):
        prepare(dataclasses.replace(files, bench=nine))
    assert prepare(files).plan is not None
    with pytest.raises(BadFileError, match="coding"):
        parse_protocol(text.replace("flac", "mp3"), "protocol.toml")
