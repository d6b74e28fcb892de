"""The audio code for real interfaces, against a virtual interface that is sample-accurate."""

import importlib.resources
import json
import signal
import time
from pathlib import Path

import numpy as np
import pytest
from virtual_devices import finish, wait_line

HERE = Path(__file__).parent


def capture(server, **ask):
    """Start the capture program and wait until it records."""
    process = server.client(HERE / "capture_program.py", json.dumps(ask))
    wait_line(process, "started")
    return process


def instrument(server, channels, *take):
    """Start a virtual instrument."""
    process = server.client(HERE / "virtual_instrument.py", "pads", channels, *take)
    wait_line(process, "ready")
    return process


def tell(process, command):
    """Give the instrument a command and wait until it has taken it."""
    process.stdin.write(command + "\n")
    process.stdin.flush()
    wait_line(process, command)


def result(process):
    """What the capture program found."""
    line = finish(process).strip().splitlines()[-1]
    assert line.startswith("done")
    return json.loads(line.removeprefix("done"))


def no_frame_missing(found):
    """No gap in the counts; a server that is late says so, though no sample is missing."""
    return all(jump == 0 for _, _, jump in found["gaps"])


MINUTE_OF_SIXTEEN = {
    "what": "count",
    "device": "pads",
    "rate_hz": 96_000,
    "channels": list(range(1, 17)),
    "frames": 60 * 96_000,
}


def check_minute(found):
    """All of it was recorded, and each sample is what was sent."""
    assert found["recorded"] >= MINUTE_OF_SIXTEEN["frames"]
    assert found["wrong"] == 0
    assert no_frame_missing(found)


def test_sixteen_channels_are_recorded_sample_for_sample(jack_server):
    """A minute of 16 channels at 96 kHz arrives without one sample lost, changed or swapped."""
    server = jack_server(96_000, period_frames=1024)
    player = instrument(server, 16)
    taking = capture(
        server,
        **MINUTE_OF_SIXTEEN,
        ring_s=70.0,
        patience_s=60.0,
        wait_at_end=True,
    )
    tell(player, "freewheel on")  # as fast as the processors go
    wait_line(taking, "enough", timeout_s=60)
    tell(player, "freewheel off")
    check_minute(result(taking))


@pytest.mark.long
def test_sixteen_channels_in_real_time(jack_server):
    """The same in real time."""
    server = jack_server(96_000, period_frames=1024)
    instrument(server, 16)
    taking = capture(
        server,
        **MINUTE_OF_SIXTEEN,
        patience_s=80.0,
    )
    check_minute(result(taking))


def short_take(server, **changes):
    """Record four channels of a counting instrument for a second or two."""
    ask = {
        "what": "count",
        "device": "pads",
        "rate_hz": 48_000,
        "channels": [1, 2, 3, 4],
        "frames": 72_000,
        "patience_s": 20.0,
    }
    return capture(server, **(ask | changes))


def test_named_channels_in_order_of_their_numbers(jack_server):
    """Of eight inputs the three that the bench file names are recorded, each in its column."""
    server = jack_server(48_000)
    instrument(server, 8)
    found = result(short_take(server, channels=[7, 2, 5], columns=[2, 5, 7], frames=24_000))
    assert found["wrong"] == 0


def test_a_reader_that_comes_too_late_loses_frames_in_one_known_place(jack_server):
    """Frames for which there was no room are marked before the next ones, to the frame."""
    server = jack_server(48_000)
    instrument(server, 4)
    found = result(short_take(server, ring_s=0.5, asleep_s=1.2))
    (first_frame, dropped, jump) = max(found["gaps"], key=lambda gap: gap[2])
    # What a late server adds is sized by the clock; the ring's own loss is counted.
    said_late = sum(gap[1] for gap in found["gaps"]) - jump
    assert 0 <= said_late < 20_000
    assert jump > 10_000
    assert found["overflows"] or said_late == 0
    assert first_frame > dropped >= jump
    assert found["wrong"] == 0


def test_frames_that_the_system_loses_are_noticed(jack_server):
    """A program that was stopped for a third of a second marks the place."""
    server = jack_server(48_000)
    instrument(server, 4)
    taking = short_take(server)
    wait_line(taking, "recording")
    taking.send_signal(signal.SIGSTOP)
    time.sleep(0.35)
    taking.send_signal(signal.SIGCONT)
    found = result(taking)
    assert found["overflows"] >= 1
    assert found["frames_lost"] > 0.3 * 48_000
    assert max(gap[1] for gap in found["gaps"]) > 0.3 * 48_000


def test_a_device_that_goes_is_told_and_nothing_hangs(jack_server):
    """When the device is gone the reader says so, and the program ends by itself."""
    server = jack_server(48_000)
    instrument(server, 4)
    taking = short_take(server, frames=10_000_000)
    wait_line(taking, "recording")
    server.kill()
    found = result(taking)
    assert "it is gone" in found["error"]
    assert found["wrong"] == 0
    assert found["recorded"] > 0


def test_a_callback_that_fails_is_told(jack_server):
    """A fault inside the callback ends the recording with a sentence; what came is kept."""
    server = jack_server(48_000)
    instrument(server, 4)
    found = result(short_take(server, spoil=True))
    assert "taking samples failed" in found["error"]
    assert found["recorded"] > 30_000
    assert found["wrong"] == 0


def test_a_wrong_name_rate_or_channel_is_refused(jack_server):
    """Each refusal says what was found; a missing device lists what is there."""
    server = jack_server(48_000)
    instrument(server, 4)
    for changes, words in (
        ({"device": "pad"}, ('"pad"', '"pads"', "4 inputs")),
        ({"rate_hz": 44_100}, ("44100 Hz",)),
        ({"channels": [1, 5]}, ("channel 5", "1 to 4")),
    ):
        ask = {"what": "count", "device": "pads", "rate_hz": 48_000, "channels": [1]} | changes
        process = server.client(HERE / "capture_program.py", json.dumps(ask))
        _, err = process.communicate(timeout=30)
        last = err.strip().splitlines()[-1]
        assert last.startswith("rig.record.bench_fault.BenchError")
        for word in words:
            assert word in last


def test_the_devices_command_lists_what_a_bench_file_wants(jack_server):
    """Audio inputs and MIDI ports are told by their exact names."""
    server = jack_server(48_000)
    instrument(server, 4)
    out = finish(server.client("-m", "rig.cli.main", "devices"))
    assert '"pads" (JACK Audio Connection Kit; 4 inputs, usually 48000 Hz)' in out
    assert '"pads:midi"' in out


def test_the_level_command_meters_a_live_input(jack_server, tmp_path):
    """Noise, hardest tap and head room of each channel are those that were played.

    0 dBFS is the rms of a sine at full scale (AES17, from memory): white noise of rms r reads
    20 log10(r) + 3.01 dB.
    """
    rate_hz, seconds = 48_000, 30
    rng = np.random.default_rng(5)
    audio = rng.normal(0.0, [1e-3, 1e-4], (seconds * rate_hz, 2)).astype(np.float32)
    for first, peak in ((0, 0.25), (1, 0.5), (2, 0.4)):
        audio[first * rate_hz // 4 :: 3 * rate_hz // 4, 0] = peak
    np.savez(tmp_path / "take.npz", audio=audio, midi_frames=np.zeros(0), midi=np.zeros((0, 3)))
    text = (importlib.resources.files("protocols") / "benches" / "simulated.toml").read_text()
    text = text.replace("sim://bench?seed=1", "none").replace("96_000", "48_000")
    bench = tmp_path / "bench.toml"
    bench.write_text(text.replace('device = "board"', 'device = "pads"'))
    server = jack_server(rate_hz)
    player = instrument(server, 2, tmp_path / "take.npz")
    tell(player, "play")
    meter = server.client("-m", "rig.cli.main", "level", "--bench", bench, "--seconds", "3")
    sensor, marker = finish(meter).splitlines()
    assert sensor == "channel 1 (sensor): noise −57 dBFS; hardest tap −6 dBFS; head room 6 dB"
    assert marker.startswith("channel 2 (marker): noise −77 dBFS; hardest tap −6")
    assert marker.endswith("little above noise; tap harder, or turn the gain up")
