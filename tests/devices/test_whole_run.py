"""Whole runs over real kinds of devices: serial port, audio interface and MIDI port, all virtual.

The runner, its intake and the analysis are those of a real bench. What really happened is told by
the simulation's own account, which the analysis never reads.
"""

import signal
import time

import numpy as np
import pytest
from virtual_devices import finish
from virtual_station import RATE_HZ, ROLES, Station, latencies

from analysis.pipeline import analyse_run
from rig.record.run_folder import RunReader


@pytest.fixture
def station(jack_server, tmp_path):
    """A bench on virtual devices."""
    return Station(jack_server(RATE_HZ), tmp_path)


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
