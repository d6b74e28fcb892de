"""Recordings from outside become run folders, or are refused with every fault told."""

from __future__ import annotations

from pathlib import Path

import mido
import numpy as np
import pytest
import soundfile

from rig.capture.bring_in import bring_in
from rig.capture.take import BadTakeError
from rig.capture.take_notes import read_notes
from rig.record.run_folder import RunReader

RATE_HZ = 48_000


@pytest.fixture
def take(tmp_path: Path) -> dict[str, Path]:
    """Two seconds of three knocks, with markers, notes and a plan."""
    seconds = np.arange(2 * RATE_HZ) / RATE_HZ
    sensor = np.random.default_rng(1).normal(0, 1e-3, seconds.size)
    marker = np.zeros(seconds.size)
    for knock_s in (0.5, 1.0, 1.5):
        after = seconds - knock_s
        sensor += np.where(after > 0, 0.5 * np.exp(-after / 0.02) * np.sin(2e3 * after), 0)
        marker += 0.5 * ((after > -0.008) & (after < -0.0078))
    audio = tmp_path / "take.wav"
    soundfile.write(audio, np.stack([marker, sensor], axis=1), RATE_HZ, subtype="PCM_24")
    midi = tmp_path / "midi.csv"
    midi.write_text("time_s,note,velocity\n0.505,38,60\n1.005,38,61\n1.505,38,0\n")
    strikes = tmp_path / "strikes.csv"
    strikes.write_text(
        "time_s,striker,force_n,stage\n7.0,A,5,knocks\n7.5,B,,knocks\n8.0,A,5,knocks\n"
    )
    return {"audio": audio, "midi": midi, "strikes": strikes, "out": tmp_path / "run"}


def call(take: dict[str, Path], **changes: object) -> RunReader:
    """Bring a take in and open the run folder."""
    arguments: dict[str, object] = {"sensor_channel": 2, "marker_channel": 1, "specimen": None}
    folder, _ = bring_in(**(arguments | take | changes))  # type: ignore[arg-type]
    return RunReader.open(folder)


def test_take_is_kept_sample_for_sample(take: dict[str, Path]) -> None:
    """The sensor's channel stands in the run folder as it stood in the file, and by its role."""
    run = call(take)
    source, _ = soundfile.read(take["audio"], dtype="float32")
    kept = run.audio.window(0, len(source))
    assert run.status == "complete"
    np.testing.assert_array_equal(kept[:, run.audio.roles["sensor"]], source[:, 1])
    np.testing.assert_array_equal(kept[:, run.audio.roles["marker"]], source[:, 0])


def test_plan_counts_from_its_first_strike(take: dict[str, Path]) -> None:
    """Any origin of the board's clock will do; unknown forces stay unknown."""
    run = call(take)
    assert run.plan.strikes["time_us"].tolist() == [0, 500_000, 1_000_000]
    assert run.plan.strikes["force_n"].isna().tolist() == [False, True, False]
    pulses = run.events[run.events["kind"] == "coil_on"]
    assert pulses["stamp_int"].tolist() == [0, 1_000_000, 2_000_000]
    assert pulses["strike"].tolist() == [0, 1, 2]


def test_notes_keep_their_time_in_frames(take: dict[str, Path]) -> None:
    """A CSV note's time is the end of its last byte on the audio clock."""
    run = call(take)
    notes = run.events[run.events["kind"] == "midi_message"]
    np.testing.assert_allclose(notes["stamp"], np.array([0.505, 1.005, 1.505]) * RATE_HZ)
    assert notes["data"].tolist() == ["99263c", "99263d", "992600"]


def test_midi_file_with_running_status_and_velocity_0(take: dict[str, Path]) -> None:
    """Running status and note-on with velocity 0 are read as the standard has them.

    Source: MIDI 1.0 (running status; note-on with velocity 0 as note-off; from memory). At
    480 ticks to a beat of 0.5 s, 480 ticks are 0.5 s.
    """
    track = bytes.fromhex("8360 99 26 40  8360 26 00  8360 26 41  00 ff 2f 00".replace(" ", ""))
    content = b"MThd" + bytes.fromhex("00000006 0000 0001 01e0") + b"MTrk"
    content += len(track).to_bytes(4, "big") + track
    path = take["midi"].with_suffix(".mid")
    path.write_bytes(content)
    run = call(take, midi=path)
    notes = run.events[run.events["kind"] == "midi_message"]
    assert notes["data"].tolist() == ["992640", "992600", "992641"]
    np.testing.assert_allclose(notes["stamp"] / RATE_HZ, [0.5, 1.0, 1.5])


def test_midi_file_made_by_a_library(take: dict[str, Path]) -> None:
    """What mido writes with a change of tempo comes back at the right seconds."""
    file = mido.MidiFile(ticks_per_beat=1000)
    track = mido.MidiTrack()
    track.append(mido.MetaMessage("set_tempo", tempo=1_000_000))
    track.append(mido.Message("note_on", channel=9, note=40, velocity=9, time=250))
    track.append(mido.MetaMessage("set_tempo", tempo=500_000))
    track.append(mido.Message("note_on", channel=9, note=40, velocity=8, time=1000))
    file.tracks.append(track)
    path = take["midi"].with_suffix(".mid")
    file.save(path)
    run = call(take, midi=path)
    notes = run.events[run.events["kind"] == "midi_message"]
    np.testing.assert_allclose(notes["stamp"] / RATE_HZ, [0.25, 0.75])


def test_without_plan_the_take_stands_alone(take: dict[str, Path]) -> None:
    """No plan, no markers, no notes: a run folder all the same, which says what can't be told."""
    run = call(take, strikes=None, midi=None, marker_channel=None)
    told = " ".join(run.events[run.events["kind"] == "note"]["text"])
    assert run.plan.strikes.empty
    assert "no plan" in told
    assert "no notes" in told


def _empty(path: Path) -> None:
    path.write_bytes(b"")


def _cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:1000])


def _text(path: Path) -> None:
    path.write_text("this is no recording\n" * 20)


def _nan(path: Path) -> None:
    samples = np.zeros((4800, 2), np.float32)
    samples[1234, 1] = np.nan
    soundfile.write(path, samples, RATE_HZ, subtype="FLOAT")


def _loud(path: Path) -> None:
    soundfile.write(path, np.full((4800, 2), 1.5, np.float32), RATE_HZ, subtype="FLOAT")


@pytest.mark.parametrize(
    ("spoil", "found"),
    [
        (_empty, "empty"),
        (_text, "not readable as audio"),
        (_nan, "frame 1234"),
        (_loud, "of full scale"),
    ],
)
def test_bad_audio_is_refused_and_nothing_written(
    take: dict[str, Path], spoil: object, found: str
) -> None:
    """A file that can't be a take is refused with what was found in it."""
    spoil(take["audio"])  # type: ignore[operator]
    with pytest.raises(BadTakeError, match=found):
        call(take)
    assert not take["out"].exists()


@pytest.mark.parametrize("form", ["WAV", "RF64", "FLAC"])
@pytest.mark.parametrize("kept", [0.2, 0.7, 0.999])
def test_a_cut_file_is_refused(take: dict[str, Path], form: str, kept: float) -> None:
    """However much of it is there: what is missing would count as silence, or as strokes lost."""
    samples, _ = soundfile.read(take["audio"])
    soundfile.write(take["audio"], samples, RATE_HZ, format=form, subtype="PCM_24")
    content = take["audio"].read_bytes()
    take["audio"].write_bytes(content[: int(kept * len(content))])
    with pytest.raises(BadTakeError, match=r"cut|not readable"):
        call(take, strikes=None, midi=None)
    assert not take["out"].exists()


def test_a_file_written_to_a_pipe_is_read(take: dict[str, Path]) -> None:
    """Its header can't know the length: FFFFFFFF stands there (common practice, no source)."""
    content = bytearray(take["audio"].read_bytes())
    at = content.index(b"data") + 4
    content[at : at + 4] = b"\xff" * 4
    take["audio"].write_bytes(content)
    assert call(take).audio.frame_count == 2 * RATE_HZ


def test_a_rate_that_no_bench_has_is_refused(take: dict[str, Path]) -> None:
    """The fault names the take, not a file that the person never saw."""
    soundfile.write(take["audio"], np.zeros((4000, 2)), 4000)
    with pytest.raises(BadTakeError, match=r"take\.wav: 4000 frames a second; 8000 to 768000"):
        call(take, strikes=None, midi=None)


def test_a_marker_for_a_sensor_is_told(take: dict[str, Path]) -> None:
    """Channels changed over: said at once, and kept in the record."""
    run = call(take, sensor_channel=1, marker_channel=2)
    told = " ".join(run.events[run.events["kind"] == "note"]["text"])
    assert "channel 1 jumps to one side" in told
    right = call(take | {"out": take["out"].with_name("right")}).events
    assert "jumps" not in " ".join(right[right["kind"] == "note"]["text"])


def test_what_the_times_of_a_plan_tell_is_filled_in(take: dict[str, Path]) -> None:
    """Rolls get their rate, pairs their gap and level; close strikes without a pattern stay so."""
    rows = ["time_s,striker,force_n,stage,pattern", "0,A,5,alone,", "0.3,A,5,alone,"]
    rows += [f"{0.6 + k / 20},A,8,roll,roll" for k in range(4)]
    rows += ["1.0,A,10,pairs,flam", "1.012,B,5,pairs,flam", "1.3,A,10,pairs,flam"]
    rows += ["1.32,B,5,pairs,flam", "1.6,A,5,close,", "1.65,A,5,close,"]
    take["strikes"].write_text("\n".join(rows) + "\n")
    plan = call(take).plan.strikes
    assert plan["pattern"].tolist() == ["single"] * 2 + ["roll"] * 4 + ["flam"] * 4 + [""] * 2
    assert plan["rate_per_s"].iloc[2:6].tolist() == pytest.approx([20.0] * 4, abs=0.01)
    assert plan["place"].tolist() == [-1, -1, 0, 1, 2, 3, 0, 1, 0, 1, -1, -1]
    assert plan["group"].nunique() == 4
    assert plan["gap_ms"].iloc[[7, 9]].tolist() == pytest.approx([12.0, 20.0])
    # 20 log10(5/10), arithmetic
    assert plan["level_difference_db"].iloc[[7, 9]].tolist() == pytest.approx([-6.0, -6.0])


ASKED = """format = 1
name = "asked"
purpose = "limits for a take"
[[stage]]
name = "knocks"
pattern = "roll"
rates_per_s = [2]
force_n = 5
[[limit]]
measure = "lost_share"
at_most_percent = 50
"""


def test_a_protocol_goes_with_the_take(take: dict[str, Path]) -> None:
    """Its text is kept byte for byte; its stage says what the strikes are."""
    asked = take["out"].with_name("asked.toml")
    asked.write_text(ASKED)
    run = call(take, protocol=asked)
    assert (run.path / "protocol.toml").read_text() == ASKED
    assert run.plan.strikes["pattern"].tolist() == ["roll"] * 3
    take["strikes"].write_text("time_s,striker\n7.0,A\n7.5,B\n8.0,A\n")
    named = call(take | {"out": take["out"].with_name("b")}, protocol=asked).plan.strikes["stage"]
    assert named.tolist() == ["knocks"] * 3


def test_a_plan_that_is_not_the_protocols_is_refused(take: dict[str, Path]) -> None:
    """Unknown stage and contradicting pattern, both at once; a faulty protocol with its line."""
    asked = take["out"].with_name("asked.toml")
    asked.write_text(ASKED)
    take["strikes"].write_text(
        "time_s,striker,stage,pattern\n7,A,knocks,flam\n7.5,A,other,\n8,A,knocks,\n"
    )
    with pytest.raises(BadTakeError) as caught:
        call(take, protocol=asked)
    assert "stage 'other' is none of the protocol's (knocks)" in str(caught.value)
    assert "stage 'knocks' is a roll in the protocol, and 'flam' here" in str(caught.value)
    asked.write_text(ASKED.replace("at_most_percent", "at_most"))
    with pytest.raises(BadTakeError, match="unit"):
        call(take, protocol=asked)


def test_all_faults_of_a_take_are_told_at_once(take: dict[str, Path]) -> None:
    """Wrong channel, plan out of order and a bad note stand in one error, with their lines."""
    take["strikes"].write_text("time_s,striker\n1.0,A\n0.5,A\nsoon,A\ninf,A\n,A\n")
    take["midi"].write_text("time_s,note,velocity\n0.1,38,128\nlate,x,3\n")
    with pytest.raises(BadTakeError) as caught:
        call(take, sensor_channel=7)
    text = str(caught.value)
    assert "channel 7" in text
    assert "line 3: 0.5 s comes after 1 s" in text
    assert "velocity 128" in text
    for line, cell in ((4, "'soon' is no number"), (5, "is blank, or no"), (6, "is blank, or no")):
        assert any(f"line {line}: time_s" in part and cell in part for part in text.splitlines())
    assert "line 3: note: 'x' is no number" in text
    assert "note nan" not in text


def test_a_notes_table_may_hold_no_note(tmp_path: Path) -> None:
    """A module that never answered: no fault, and no note."""
    (tmp_path / "notes.csv").write_text("time_s,note,velocity,channel\n")
    notes, faults = read_notes(tmp_path / "notes.csv")
    assert faults == []
    assert notes is not None
    assert notes.time_s.size == 0


@pytest.mark.parametrize(
    ("content", "found"),
    [
        ("time_s,striker\n0,A\n3,A\n", "lasts 3.000 s"),
        ("time_s,strikr\n0,A\n", "did you mean 'striker'"),
        ("time_s,striker\nsoon,A\n", "line 2: time_s: 'soon' is no number"),
        ("time_s,striker\n", "holds no strike"),
        ("time_s,striker,force_n\n0,A,-3\n", "above 0"),
        (f"time_s,striker,stage\n0,A,{'x' * 101}\n", r"strikes\.csv: stage 'x+': .*up to 100"),
        ('time_s,striker\n0,"A\tB"\n', r"striker 'A\\tB': a name is a line"),
        ("", "header line"),
    ],
)
def test_bad_plan_is_refused(take: dict[str, Path], content: str, found: str) -> None:
    """A plan that can't belong to the take is refused with its line and what is allowed."""
    take["strikes"].write_text(content)
    with pytest.raises(BadTakeError, match=found):
        call(take)


@pytest.mark.parametrize("content", [b"", b"RIFFxxxx", b"MThd\x00\x00\x00\x06\x00\x00\x00\x01"])
def test_bad_midi_file_is_refused(take: dict[str, Path], content: bytes) -> None:
    """Not MIDI, or MIDI cut short: an error, never a traceback."""
    path = take["midi"].with_suffix(".mid")
    path.write_bytes(content)
    with pytest.raises(BadTakeError, match=r"take|MIDI|tempo"):
        call(take, midi=path)


def test_an_existing_folder_is_never_overwritten(take: dict[str, Path]) -> None:
    """The second import to one folder is refused."""
    call(take)
    with pytest.raises(Exception, match="never"):
        call(take)


def test_tables_of_a_runs_own_analysis_serve_as_well(take: dict[str, Path]) -> None:
    """Notes and strokes as the analysis writes them: its times, what is known, nothing else."""
    take["midi"].write_text(
        "note_t_s,note_u_s,wire_s,note,velocity,zone\n0.505,1e-6,,38,60,head\n1.005,1e-6,,38,61,head\n"
    )
    take["strikes"].write_text(
        "stroke,strike,stage,striker,force_n,drive_t_s,onset_t_s\n"
        "0,1,knocks,B,7,1.0,1.005\n1,0,knocks,A,5,0.5,0.505\n2,-1,,,,,1.2\n"
    )
    run = call(take)
    assert run.plan.strikes["time_us"].tolist() == [0, 500_000]
    assert run.plan.strikes["striker"].tolist() == ["A", "B"]
    stamps = run.events.query("kind == 'midi_message'")["stamp"]
    np.testing.assert_allclose(stamps / RATE_HZ, [0.505, 1.005])
