"""Whole runs over real kinds of devices: serial port, audio interface and MIDI port, all virtual.

The runner, its intake and the analysis are those of a real bench. What really happened is told by
the simulation's own account, which the analysis never reads.
"""

import importlib.resources
import json
import signal
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from virtual_devices import finish, wait_line

from analysis.pipeline import analyse_run
from rig.record.run_folder import RunReader

HERE = Path(__file__).parent
RATE_HZ = 48_000
ROLES = ("sensor", "marker", "din_line")
NOTES = """format = 1
name = "notes"
purpose = "200 notes at 10 a second"
[[stage]]
name = "steady"
pattern = "single"
strikers = ["A", "B"]
forces_n = [8]
repeats = {repeats}
interval_ms = 100
[[stage]]
name = "end"
pattern = "idle"
duration_s = 2.0
"""


class Station:
    """A bench file that names virtual devices, and what stands behind them."""

    def __init__(self, server, folder):
        self.server, self.folder = server, folder
        ask = {
            "url": "sim://bench?seed=3&pad=loam-mesh&module=brook",
            "rate_hz": RATE_HZ,
            "roles": ROLES,
            "name": "pads",
            "truth": str(folder / "run"),
        }
        self.bench = server.client(HERE / "virtual_bench.py", json.dumps(ask))
        port = wait_line(self.bench, "pty").split()[1]
        text = (importlib.resources.files("protocols") / "benches" / "simulated.toml").read_text()
        text = text.replace('port = "sim://bench?seed=1"', f'port = "{port}"')
        text = text.replace(
            'device = "board"', 'device = "pads"\nhost_api = "JACK Audio Connection Kit"'
        )
        text = text.replace("96_000", str(RATE_HZ))
        line = '[[audio.channel]]\nnumber = 3\nrole = "din_line"\n\n'
        text = text.replace("[midi]", line + '[midi]\nhost_port = "pads:midi"')
        # a shared machine may be slow: the board has patience
        text = text.replace("[ambient]", "[limits]\nhost_silence_ms = 2000\n\n[ambient]")
        self.file = folder / "bench.toml"
        self.file.write_text(text)

    def start(self, repeats):
        """Begin a run."""
        protocol = self.folder / "protocol.toml"
        protocol.write_text(NOTES.format(repeats=repeats))
        program, out = HERE / "run_program.py", self.folder / "run"
        return self.server.client(program, protocol, self.file, "good_build", out)

    def truth(self):
        """End the bench; its truth."""
        self.bench.stdin.write("end\n")
        finish(self.bench)
        return json.loads((self.folder / "run.truth.json").read_text())


@pytest.fixture
def station(jack_server, tmp_path):
    """A bench on virtual devices."""
    return Station(jack_server(RATE_HZ), tmp_path)


def latencies(analysis, truth):
    """Latency as measured, and as it truly was, of each valid stroke with a note."""
    contacts = pd.DataFrame(truth["contacts"]).groupby("strike").first()
    ends = pd.DataFrame(truth["notes"]).query("strike >= 0").groupby("strike")["end_s"].first()
    rows = analysis.table.strokes.query("valid and strike >= 0").set_index("strike")
    return rows, (ends - contacts["onset_s"]).reindex(rows.index)


def differences(analysis):
    """Measures of one source against another."""
    return {m.name: m for m in analysis.measures if "_offset_" in m.name}


def test_200_notes_by_three_sources(station):
    """Board's stamps and line within 50 us of the truth and of each other; host within its jitter.

    The virtual MIDI port hands notes over once a period (256 frames, 5.3 ms): that jitter is the
    path's own, and it is measured.
    """
    words = finish(station.start(repeats=100), timeout_s=120)
    truth = station.truth()
    assert RunReader.open(station.folder / "run").status == "complete", words
    analysis = analyse_run(station.folder / "run")
    assert analysis.table.facts["note_source"] == "board_din"
    rows, true_s = latencies(analysis, truth)
    error_s = (rows["latency_s"] - true_s).dropna()
    # a busy machine's audio system cries loss now and then: strokes there are out
    assert len(error_s) >= 140
    u_s = rows["latency_u_s"].median()
    assert abs(error_s.mean()) < min(2 * u_s, 50e-6)
    assert error_s.std() < 50e-6
    found = differences(analysis)
    line = found["din_line_offset_mean"]
    assert line.count >= 140
    assert line.details["missing"] == line.details["further"] == 0
    assert abs(line.value) < min(50, 2 * line.details["stated_u_us"])
    assert found["din_line_offset_sd"].value < line.details["stated_u_us"]
    host = found["host_offset_mean"]
    assert host.count >= 140
    assert -2 < host.value < 15
    assert 0.1 < found["host_offset_sd"].value < 6


def test_samples_that_the_system_loses_in_a_run(station):
    """The program is stopped for a third of a second: strokes inside are invalid, no other wrong."""
    running = station.start(repeats=40)
    # events are written burst by burst, sound as it comes: strokes last from about 1 to 9 s of it
    path = station.folder / "run" / "sensor.wav"
    end = time.monotonic() + 60
    enough = 5 * RATE_HZ * 3 * len(ROLES)
    while time.monotonic() < end and not (path.exists() and path.stat().st_size > enough):
        time.sleep(0.05)
    running.send_signal(signal.SIGSTOP)
    time.sleep(0.35)
    running.send_signal(signal.SIGCONT)
    finish(running, timeout_s=120)
    truth = station.truth()
    reader = RunReader.open(station.folder / "run")
    gaps = reader.events.query("kind == 'audio_gap'")
    assert gaps["value"].max() > 0.3 * RATE_HZ
    analysis = analyse_run(station.folder / "run")
    strokes = analysis.table.strokes.query("strike >= 0")
    bad = strokes[~strokes["valid"]]
    # the server may hold all its clients while one hangs: then less is lost than was told
    assert 1 <= len(bad) <= 30
    assert bad["excluded_because"].str.contains("lost|don't fit").all()
    rows, true_s = latencies(analysis, truth)
    assert (rows["outcome"] != "no_contact").all()
    assert np.abs((rows["latency_s"] - true_s).dropna()).max() < 0.5e-3


def test_a_device_that_goes_ends_the_run_with_all_that_was_recorded(station):
    """The audio device is unplugged: the run fails, says so, and what came before is measured."""
    running = station.start(repeats=200)
    path = station.folder / "run" / "events.jsonl"
    end = time.monotonic() + 60
    while time.monotonic() < end and not (
        path.exists() and path.read_text().count('"coil_on"') > 30
    ):
        time.sleep(0.05)
    station.server.kill()
    assert finish(running, timeout_s=60).startswith("failed")
    reader = RunReader.open(station.folder / "run")
    assert reader.status == "failed"
    assert "it is gone" in reader.stop.reason or "nothing came" in reader.stop.reason
    analysis = analyse_run(station.folder / "run")
    assert analysis.overall != "pass"
    strokes = analysis.table.strokes.query("strike >= 0")
    assert strokes["valid"].sum() > 5
    after = strokes["drive_t_s"] > reader.audio.frame_count / RATE_HZ
    assert not strokes.loc[after, "valid"].any()
