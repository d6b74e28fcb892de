"""Two ways to time a note, against a delay known to the sample: host MIDI, and the DIN line.

The virtual instrument sends, for each stroke, a step on the sensor channel, the note's bytes on
the DIN line channel, ending 5.000 ms later, and the note on its MIDI port at that moment.
"""

import importlib.util
import json
import sys
from pathlib import Path

import numpy as np
from scipy import signal
from virtual_devices import PERIOD_FRAMES, finish, wait_line

from analysis.din_line import decode_line
from analysis.host_path import host_path
from rig.record.bench_file import Midi

HERE = Path(__file__).parent
RATE_HZ = 48_000
NOTES = 200
DELAY_S = 0.005
MESSAGE_S = 3 * 10 / 31_250
"""Three bytes of ten bits: MIDI 1.0, Hardware."""


def uart():
    """The maker of recorded lines that the decoder's own tests use."""
    path = HERE.parent / "unit" / "din_line" / "uart_signal.py"
    spec = importlib.util.spec_from_file_location("uart_signal_of_devices", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def make_take(path):
    """Write the take; give the true onsets in frames of the take, and the messages."""
    rng = np.random.default_rng(11)
    # Host MIDI is delivered once a period: notes stand where periods begin.
    periods = 40 + np.cumsum(rng.integers(3, 6, NOTES))
    note_frames = periods * PERIOD_FRAMES
    onsets = note_frames - DELAY_S * RATE_HZ
    notes = np.array([[0x99, 38, velocity] for velocity in rng.integers(1, 128, NOTES)])
    starts_s = (note_frames / RATE_HZ - MESSAGE_S)[:, None] + np.arange(3) * MESSAGE_S / 3
    line = uart().record(notes.ravel(), starts_s.ravel(), rate_hz=RATE_HZ, rng=rng, tail_s=0.2)
    sensor = np.zeros(len(line.samples), dtype=np.float32)
    ring = np.exp(-np.arange(400) / 80) * np.cos(2 * np.pi * np.arange(400) / 60)
    for onset in onsets.astype(int):
        sensor[onset : onset + 400] += (0.5 * ring).astype(np.float32)
    audio = np.stack([sensor, line.samples], axis=1)
    np.savez(path, audio=audio, midi_frames=note_frames, midi=notes.astype(np.uint8))
    return onsets, notes


def test_both_sources_find_the_delay(jack_server, tmp_path):
    """Bias and scatter of line and host lie inside what each states; the line within 50 µs."""
    onsets, notes = make_take(tmp_path / "take.npz")
    duration_s = onsets[-1] / RATE_HZ + 1.5
    server = jack_server(RATE_HZ)
    player = server.client(HERE / "virtual_instrument.py", "pads", 2, tmp_path / "take.npz")
    wait_line(player, "ready")
    ask = {
        "what": "listen",
        "device": "pads",
        "rate_hz": RATE_HZ,
        "channels": [1, 2],
        "midi": "pads:midi",
        "duration_s": duration_s,
        "path": str(tmp_path / "heard.npz"),
    }
    taking = server.client(HERE / "capture_program.py", json.dumps(ask))
    wait_line(taking, "started")
    player.stdin.write("play\n")
    player.stdin.flush()
    finish(taking)
    heard = np.load(tmp_path / "heard.npz")

    # Onsets as they stand in the recording: the sensor's step is one sample sharp.
    sensor = heard["audio"][:, 0]
    strikes, _ = signal.find_peaks(sensor, height=0.4, distance=600)
    assert len(strikes) == NOTES

    found, quality = decode_line([heard["audio"][:, 1]], RATE_HZ)
    assert np.array_equal(found.values.reshape(-1, 3), notes)
    assert quality.doubtful == quality.rejected == 0
    line_delay_s = (found.end_frames[2::3] - strikes) / RATE_HZ
    error_us = (line_delay_s - DELAY_S) * 1e6
    stated_us = np.median(found.u_frames[2::3]) / RATE_HZ * 1e6
    assert abs(error_us.mean()) < min(stated_us, 50)
    assert error_us.std(ddof=1) < min(stated_us, 5)

    assert np.array_equal(heard["midi"], notes)  # no message lost or changed
    stamps = heard["stamps"]
    delay_s = stamps[:, 1] - stamps[:, 0] / RATE_HZ
    onset_s = []
    for strike in strikes:
        near = np.abs(stamps[:, 0] - strike) < 0.25 * RATE_HZ
        onset_s.append(np.median(delay_s[near]) + strike / RATE_HZ)
    host_error_ms = (heard["midi_s"] - np.array(onset_s) - DELAY_S) * 1e3
    spread_ms = 1.4826 * np.median(np.abs(host_error_ms - np.median(host_error_ms)))
    # Messages leave at a period's begin: what is left is the host's own. Its path is not measured.
    # The sound's stamps are late too, by some hundredths of a millisecond: the error may be below 0.
    path = host_path(Midi())
    assert abs(np.median(host_error_ms)) < min(1e3 * path.u_s, 1.0)
    assert spread_ms < min(1e3 * path.u_s, 0.5)
    # A path that was measured on half of them is that of the others; single ones may come later.
    late_ms, others_ms = host_error_ms[::2], host_error_ms[1::2]
    stated_ms = np.hypot(late_ms.std(ddof=1), late_ms.std(ddof=1) / np.sqrt(len(late_ms)))
    assert abs(np.median(others_ms) - late_ms.mean()) < stated_ms


def test_a_flood_is_survived_and_closed_in_the_middle(jack_server, tmp_path):
    """Hundreds of messages a second, malformed ones among them, are heard; closing is safe."""
    count = 4000
    frames = np.sort(np.random.default_rng(2).integers(0, 4 * RATE_HZ, count))
    midi = np.tile(np.array([0x99, 38, 100], dtype=np.uint8), (count, 1))
    midi[::10] = (0x99, 0xF1, 200)  # data bytes that are none
    silence = np.zeros((4 * RATE_HZ, 1), dtype=np.float32)
    np.savez(tmp_path / "take.npz", audio=silence, midi_frames=frames, midi=midi)
    server = jack_server(RATE_HZ)
    player = server.client(HERE / "virtual_instrument.py", "pads", 1, tmp_path / "take.npz")
    wait_line(player, "ready")
    ask = {"what": "flood", "midi": "pads:midi", "duration_s": 2.0}
    taking = server.client(HERE / "capture_program.py", json.dumps(ask))
    wait_line(taking, "started")
    player.stdin.write("play\n")
    player.stdin.flush()
    found = json.loads(finish(taking).strip().splitlines()[-1].removeprefix("done"))
    assert found["heard"] > 1000
    assert found["malformed"] > 50
    assert found["lost"] == 0
    assert found["error"] is None


def test_an_unplugged_port_is_told(jack_server, tmp_path):
    """When the sender goes, the reader says so."""
    silence = np.zeros((RATE_HZ, 1), dtype=np.float32)
    np.savez(tmp_path / "take.npz", audio=silence, midi_frames=np.zeros(0), midi=np.zeros((0, 3)))
    server = jack_server(RATE_HZ)
    player = server.client(HERE / "virtual_instrument.py", "pads", 1, tmp_path / "take.npz")
    wait_line(player, "ready")
    ask = {"what": "flood", "midi": "pads:midi", "duration_s": 10.0}
    taking = server.client(HERE / "capture_program.py", json.dumps(ask))
    wait_line(taking, "started")
    player.stdin.close()
    found = json.loads(finish(taking).strip().splitlines()[-1].removeprefix("done"))
    assert "it is gone" in found["error"]
