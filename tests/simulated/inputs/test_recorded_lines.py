"""A run with the DIN line and the module's output recorded beside the sensor, against the truth.

The simulation's own account of each note is the reference; the analysis never reads it.
"""

import importlib.resources
import json

import numpy as np
import pytest

from analysis.din_line import decode_line
from analysis.module_out import find_sounds, sounds_of_strokes
from rig.record.midi_bytes import parse_notes
from rig.record.run_folder import RunReader
from rig.runner import prepare, read_files, run

SOUND_AFTER_S = 0.003
"""The simulated module sounds so long after it has decided; a figure of the simulation."""


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """A run of the demo protocol with four channels, and its truth on the audio clock."""
    folder = tmp_path_factory.mktemp("lines")
    text = (importlib.resources.files("protocols") / "benches" / "simulated.toml").read_text()
    added = "".join(
        f'[[audio.channel]]\nnumber = {number}\nrole = "{role}"\n\n'
        for number, role in ((3, "din_line"), (4, "module_out"))
    )
    bench = folder / "bench.toml"
    bench.write_text(text.replace("[midi]", added + "[midi]"))
    result = run(prepare(read_files("demo", bench, "good_build")), folder / "run")
    truth = json.loads((folder / "run.truth.json").read_text())
    clock = truth["clocks"]

    def on_audio_s(times_s):
        frames = (np.array(times_s) - clock["audio_start_s"]) / clock["audio_step_s"]
        return frames / clock["audio_rate_hz"]

    return RunReader.open(result.path), truth, on_audio_s


def channel(reader, role):
    """One channel, piece by piece."""
    column = reader.start.audio.roles[role]
    return (samples[:, column] for _, samples in reader.audio.blocks())


def test_the_line_and_the_board_hear_the_same_bytes(recorded):
    """Bytes read from the audio channel are those that the board stamped, all of them."""
    reader, _, _ = recorded
    found, quality = decode_line(channel(reader, "din_line"), reader.start.audio.sample_rate_hz)
    board = reader.events[reader.events["kind"] == "din_byte"]
    assert len(found) > 200
    assert np.array_equal(found.values, board["value"].to_numpy())
    assert quality.doubtful == quality.rejected == 0


def test_ends_of_notes_are_true_to_the_stated_uncertainty(recorded):
    """Each note's end on the line lies within two stated uncertainties of the truth."""
    reader, truth, on_audio_s = recorded
    rate_hz = reader.start.audio.sample_rate_hz
    found, _ = decode_line(channel(reader, "din_line"), rate_hz)
    notes = parse_notes(found.values, found.start_frames)
    last = notes.last_byte[notes.on]
    error_s = found.end_frames[last] / rate_hz - on_audio_s([n["end_s"] for n in truth["notes"]])
    assert np.all(np.abs(error_s) < 2 * found.u_frames[last] / rate_hz)


def test_the_module_sounds_when_it_does(recorded):
    """The sound begins 3 ms after the module's decision; strokes without a note have no sound."""
    reader, truth, on_audio_s = recorded
    rate_hz = reader.start.audio.sample_rate_hz
    sounds = find_sounds(channel(reader, "module_out"), rate_hz)
    contacts = truth["contacts"]
    onset_s = on_audio_s([contact["onset_s"] for contact in contacts])
    found = sounds_of_strokes(onset_s, np.zeros(len(onset_s)), sounds, rate_hz)
    ready = {n["strike"]: float(on_audio_s(n["ready_s"])) for n in truth["notes"]}
    assert len(sounds) == len(truth["notes"])
    assert found.unmatched == 0
    for contact, sound_s, delay_s in zip(contacts, found.sound_t_s, found.delay_s, strict=True):
        if contact["strike"] in ready:
            assert sound_s - ready[contact["strike"]] == pytest.approx(SOUND_AFTER_S, abs=1e-5)
            assert delay_s > SOUND_AFTER_S
        else:
            assert np.isnan(delay_s)


def test_silence_has_no_sounds_and_nan_strokes_match_none():
    """An empty channel gives no sound, and strokes without an onset get none."""
    sounds = find_sounds([np.zeros(48_000, dtype=np.float32)], 48_000)
    found = sounds_of_strokes([np.nan, 0.5], [np.nan, 1e-5], sounds, 48_000)
    assert np.isnan(found.delay_s).all()
    assert found.unmatched == 0
