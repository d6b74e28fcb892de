"""A run with every source of notes and the module's output recorded, against the truth.

The simulation's own account of each note is the reference; the analysis never reads it.
"""

import dataclasses
import importlib.resources
import json

import numpy as np
import pytest

from analysis.din_line import decode_line
from analysis.further_strokes import further_strokes
from analysis.load import load_run
from analysis.module_out import sound_measures, sounds_of_notes
from analysis.notes import collect_notes
from analysis.onset import OnsetFinder
from analysis.pipeline import analyse_run
from analysis.provenance import provenance
from analysis.strokes import build_strokes
from rig.preparation import prepare
from rig.record.bench_file import HostPath, Midi
from rig.record.midi_bytes import parse_notes
from rig.run_files import read_files
from rig.runner import run


def on_audio_s(truth, times_s):
    """True seconds on the audio clock as the analysis counts it."""
    clock = truth["clocks"]
    frames = (np.array(times_s) - clock["audio_start_s"]) / clock["audio_step_s"]
    return frames / clock["audio_rate_hz"]


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """A run of the demo protocol with four channels, analysed, and its truth on the audio clock."""
    folder = tmp_path_factory.mktemp("lines")
    text = (importlib.resources.files("protocols") / "benches" / "simulated.toml").read_text()
    added = "".join(
        f'[[audio.channel]]\nnumber = {number}\nrole = "{role}"\n\n'
        for number, role in ((3, "din_line"), (4, "module_out"))
    )
    bench = folder / "bench.toml"
    bench.write_text(text.replace("[midi]", added + '[midi]\nhost_port = "board"'))
    result = run(prepare(read_files("demo", bench, "good_build")), folder / "run")
    truth = json.loads((folder / "run.truth.json").read_text())
    return analyse_run(result.path), truth, lambda times_s: on_audio_s(truth, times_s)


def channel(recording, role):
    """One channel, piece by piece."""
    column = recording.roles[role]
    return (samples[:, column] for _, samples in recording.blocks())


def true_notes(truth, on_audio_s, name):
    """One time of each true note, on the audio clock."""
    return on_audio_s([note[name] for note in truth["notes"]])


def measure(analysis, name):
    """One measure of the whole run."""
    (found,) = [m for m in analysis.measures if m.name == name and not m.stage]
    return found


def test_the_line_and_the_board_hear_the_same_bytes(recorded):
    """Bytes read from the audio channel are those that the board stamped, all of them."""
    recording = recorded[0].recording
    found, quality = decode_line(channel(recording, "din_line"), recording.sample_rate_hz)
    board = recording.of_kind("din_byte")
    assert len(found) > 200
    assert np.array_equal(found.values, board["value"].to_numpy())
    assert quality.doubtful == quality.rejected == 0


def test_ends_of_notes_are_true_to_the_stated_uncertainty(recorded):
    """Each note's end on the line lies within two stated uncertainties of the truth."""
    analysis, truth, on_audio_s = recorded
    recording = analysis.recording
    rate_hz = recording.sample_rate_hz
    found, _ = decode_line(channel(recording, "din_line"), rate_hz)
    notes = parse_notes(found.values, found.start_frames)
    last = notes.last_byte[notes.on]
    error_s = found.end_frames[last] / rate_hz - true_notes(truth, on_audio_s, "end_s")
    assert np.all(np.abs(error_s) < 2 * found.u_frames[last] / rate_hz)


def test_each_source_against_the_truth(recorded):
    """Bias and scatter of each of three sources lie inside the uncertainty that it states.

    Board and line are within 50 us of the end of the last byte. Of the host's path its bounds
    alone are known.
    """
    analysis, truth, on_audio_s = recorded
    line, _ = decode_line(
        channel(analysis.recording, "din_line"), analysis.recording.sample_rate_hz
    )
    sources = collect_notes(analysis.recording, analysis.table.time_line, line)
    assert [source.name for source in sources] == ["board_din", "din_line", "host"]
    for source in sources:
        true_s = np.sort(true_notes(truth, on_audio_s, "end_s"))
        error_s = source.notes["note_t_s"].to_numpy() - true_s
        u_s = source.notes["note_u_s"].median()
        assert abs(error_s.mean()) < u_s
        assert error_s.std(ddof=1) < u_s
        if source.name != "host":
            assert np.abs(error_s).max() < 50e-6


def test_the_paths_own_delay_and_jitter_are_measured(recorded):
    """Host and line against the board: as the simulation's USB port and wire truly are."""
    analysis, truth, on_audio_s = recorded
    late_s = true_notes(truth, on_audio_s, "host_s") - true_notes(truth, on_audio_s, "end_s")
    mean, sd = (measure(analysis, f"host_offset_{name}") for name in ("mean", "sd"))
    assert mean.count == len(truth["notes"])
    assert mean.value == pytest.approx(1e3 * late_s.mean(), abs=0.3)  # bound of the exchanges
    assert sd.value == pytest.approx(1e3 * late_s.std(ddof=1), abs=0.03)
    assert sd.low < 1e3 * late_s.std(ddof=1) < sd.high
    assert mean.details["missing"] == mean.details["further"] == 0
    assert mean.details["reference"] == "board_din"
    line = measure(analysis, "din_line_offset_mean")
    assert abs(line.value) < 2 * line.details["stated_u_us"]
    assert measure(analysis, "din_line_offset_sd").value < line.details["stated_u_us"]


def kept_path(analysis):
    """What the program says to keep of the host's path."""
    note = measure(analysis, "host_offset_mean").note
    return note[note.index("host_path = ") :]


def run_by_host(folder, lines, seed=2):
    """A run on another day whose notes come by the host alone, analysed; and its errors (s)."""
    text = (importlib.resources.files("protocols") / "benches" / "simulated.toml").read_text()
    text = text.replace("seed=1", f"seed={seed}")
    text = text.replace("board_din = true", f'board_din = false\nhost_port = "board"\n{lines}')
    (folder / "bench.toml").write_text(text)
    result = run(prepare(read_files("demo", folder / "bench.toml", "good_build")), folder / "run")
    truth = json.loads((folder / "run.truth.json").read_text())
    true_s = on_audio_s(truth, [note["end_s"] for note in truth["notes"]])
    analysis = analyse_run(result.path)
    return analysis, analysis.table.notes["note_t_s"].to_numpy() - np.sort(true_s)


def test_a_path_that_was_measured_is_taken_off(recorded, tmp_path):
    """One run measures the host's path; the bench file keeps it; another run has the host alone."""
    analysis, error_s = run_by_host(tmp_path, kept_path(recorded[0]))
    assert analysis.table.facts["note_source"] == "host"
    u_s = analysis.table.notes["note_u_s"].median()
    assert u_s < 1e-3
    assert abs(error_s.mean()) < u_s
    assert error_s.std(ddof=1) < u_s
    day = recorded[0].start.created_utc[:10]
    assert f"was measured on {day}, and is taken off" in " ".join(analysis.doubts)
    parts = analysis.table.budget.parts
    assert {"host's path", "clock exchange", "stamp of the note"} <= set(parts)
    # each stroke's budget and the analysis' own agree
    of_stroke_us = 1e6 * analysis.table.strokes["latency_u_s"].median()
    assert analysis.table.budget.combined_us == pytest.approx(of_stroke_us, rel=0.05)


def test_a_path_that_nothing_measured_widens_each_latency(tmp_path):
    """The host alone, its path unknown: the latency's interval holds the truth, and says why."""
    analysis, error_s = run_by_host(tmp_path, "host_delay_at_most_ms = 3")
    u_s = analysis.table.notes["note_u_s"].median()
    assert u_s == pytest.approx(3e-3 / np.sqrt(3), rel=0.05)  # JCGM 100:2008, 4.3.7
    assert abs(error_s.mean()) < u_s
    assert error_s.std(ddof=1) < u_s
    rows = analysis.table.strokes
    true_ms = 1e3 * (rows["latency_s"].mean() - error_s.mean())
    for name in ("mean", "median", "worst"):
        latency = measure(analysis, f"latency_{name}")
        assert latency.low < latency.value - 3  # the whole bound below
        assert latency.high < latency.value + 3 * u_s * 1e3
        assert "late by up to 3 ms" in latency.method
        assert "Notes from host, standard uncertainty 1.7" in latency.note
    latency = measure(analysis, "latency_mean")
    assert latency.low < true_ms < latency.high
    assert further_strokes(latency, latency.value - 2, at_most=True) is None
    assert further_strokes(latency, latency.high - 1e-6, at_most=True) >= 1
    assert "between 0 and 3 ms" in " ".join(analysis.doubts)
    assert "to 1.77 ms" in dict(provenance(analysis))["notes from"]


def test_a_path_that_has_changed_is_told(recorded):
    """A bench file that keeps another delay than the run shows is contradicted."""
    recording = recorded[0].recording
    for path, word in (
        (HostPath(delay_ms=5, delay_uncertainty_ms=0.1, jitter_ms=0.3), "measure it again"),
        (None, "takes it for less"),
    ):
        midi = Midi(host_path=path, host_delay_at_most_ms=0.05)
        table = build_strokes(dataclasses.replace(recording, midi=midi))
        assert any(word in one for one in table.facts["remarks"])
    assert not any("takes it" in one for one in recorded[0].table.facts["remarks"])


def test_source_and_uncertainty_stand_beside_each_latency(recorded):
    """Each stroke names its source; each latency measure says it, and how sure it is."""
    analysis = recorded[0]
    noted = analysis.table.strokes.dropna(subset=["latency_s"])
    assert set(noted["note_source"]) == {"board_din"}
    assert (noted["note_u_s"] > 0).all()
    for name in ("median", "mean", "p95", "p99", "worst", "sd"):
        assert "Notes from board_din, standard" in measure(analysis, f"latency_{name}").note
    assert "board_din, each to" in dict(provenance(analysis))["notes from"]


def test_the_module_sounds_when_it_does(recorded):
    """Beginnings of its sound to 10 us in the mean; strokes without a note have no sound."""
    analysis, truth, on_audio_s = recorded
    strokes, notes = analysis.table.strokes, analysis.table.notes
    true_s = true_notes(truth, on_audio_s, "sound_s")
    error_s = notes["sound_t_s"].to_numpy() - true_s
    assert np.isfinite(error_s).all()
    assert abs(error_s.mean()) < 10e-6
    assert np.abs(error_s).max() < 50e-6
    assert strokes.loc[strokes["note_t_s"].isna(), "sound_t_s"].isna().all()


def test_stroke_to_note_and_note_to_sound_are_told_apart(recorded):
    """Delay and jitter of the sound as the module's buffer and converter make them."""
    analysis, truth, on_audio_s = recorded
    first = analysis.table.notes["role"].to_numpy() == "first"
    true_s = true_notes(truth, on_audio_s, "sound_s") - true_notes(truth, on_audio_s, "end_s")
    true_s = true_s[first]
    delay = measure(analysis, "sound_delay_median")
    assert delay.value == pytest.approx(1e3 * np.median(true_s), abs=0.02)
    assert delay.low <= 1e3 * np.median(true_s) <= delay.high
    sd = measure(analysis, "sound_delay_sd")
    assert sd.value == pytest.approx(1e3 * true_s.std(ddof=1), abs=0.02)
    note, whole = (measure(analysis, f"{n}_median") for n in ("latency", "sound_latency"))
    assert whole.value == pytest.approx(note.value + delay.value, abs=0.5)


def test_silence_has_no_sounds_and_nan_notes_match_none():
    """An empty channel gives no sound, and a table without sounds no measure."""
    finder = OnsetFinder(48_000)
    finder.feed(np.zeros(48_000, dtype=np.float32))
    sound_s, sound_u_s = sounds_of_notes([np.nan, 0.5], finder.finish(), 48_000)
    assert np.isnan(sound_s).all()
    assert np.isnan(sound_u_s).all()


def test_no_output_no_measure(recorded):
    """Without a recorded output nothing is said of the sound."""
    strokes = recorded[0].table.strokes.assign(sound_t_s=np.nan)
    assert sound_measures(strokes) == []


def test_the_host_alone_states_its_bound(recorded):
    """Board and line taken away, the host serves; its stated uncertainty holds half a round trip."""
    analysis = recorded[0]
    recording = load_run(analysis.path)
    events = recording.events
    only = events[events["kind"] != "din_byte"]
    object.__setattr__(recording, "events", only)
    (source,) = collect_notes(recording, analysis.table.time_line, None)
    assert source.name == "host"
    least_s = recording.of_kind("clock_pair")["bound_ns"].min() * 1e-9
    assert (source.notes["note_u_s"] > least_s / np.sqrt(3)).all()
