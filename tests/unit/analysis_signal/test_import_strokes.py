"""Recordings from outside: strokes with or without markers, a plan, or notes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from signal_sounds import any_pad, percussive, place

from analysis.load import load_run
from analysis.strokes import build_strokes
from rig.capture.bring_in import bring_in

RATE_HZ = 48_000
COUNT = 30
FLIGHT_S, LATENCY_S = 0.008, 0.006


@pytest.fixture
def outside(tmp_path: Path) -> dict[str, object]:
    """Thirty strokes at uneven intervals, markers at the coils, a note each, with their truth."""
    rng = np.random.default_rng(1)
    drive_s = 0.5 + np.cumsum(rng.uniform(0.2, 0.3, COUNT))
    pad = any_pad(rng)
    sounds = [percussive(1.5, rng, pad) for _ in range(COUNT)]
    sensor, truth = place(drive_s + FLIGHT_S, sounds, np.full(COUNT, 0.4), drive_s[-1] + 1, RATE_HZ)
    sensor += rng.normal(0, 4e-4, len(sensor))
    t = np.arange(len(sensor)) / RATE_HZ
    marker = 0.5 * (((t[:, None] - drive_s) >= 0) & ((t[:, None] - drive_s) < 4e-4)).any(axis=1)
    audio = tmp_path / "take.wav"
    soundfile.write(audio, np.stack([sensor, marker], axis=1), RATE_HZ, subtype="PCM_24")
    notes = tmp_path / "notes.csv"
    rows = [f"{at:.6f},38,{64 + k}" for k, at in enumerate(truth / RATE_HZ + LATENCY_S)]
    del rows[7]
    notes.write_text("time_s,note,velocity\n" + "\n".join(rows) + "\n")
    strikes = tmp_path / "strikes.csv"
    lines = [f"{at - 0.2:.6f},A" for at in drive_s]
    strikes.write_text("time_s,striker\n" + "\n".join(lines) + "\n")
    return {
        "audio": audio,
        "midi": notes,
        "strikes": strikes,
        "specimen": None,
        "sensor_channel": 1,
        "marker_channel": 2,
        "out": tmp_path / "run",
        "truth_s": truth / RATE_HZ,
    }


def table_of(outside: dict[str, object], **changes: object):
    """Bring it in and make its stroke table."""
    arguments = {k: v for k, v in outside.items() if k != "truth_s"} | changes
    folder, _ = bring_in(**arguments)  # type: ignore[arg-type]
    return build_strokes(load_run(folder))


def test_with_markers(outside: dict[str, object]) -> None:
    """Markers carry the time line; the stroke whose note is missing is the lost one."""
    table = table_of(outside)
    assert table.time_line is not None
    assert table.time_line.method == "markers"
    strokes = table.strokes
    assert np.flatnonzero(strokes["outcome"] == "lost").tolist() == [7]
    np.testing.assert_allclose(strokes["onset_t_s"], outside["truth_s"], atol=50e-6)
    assert strokes["latency_s"].median() == pytest.approx(LATENCY_S, abs=20e-6)
    assert (strokes["onset_t_s"] - strokes["drive_t_s"]).median() == pytest.approx(
        FLIGHT_S, abs=50e-6
    )


def test_without_markers(outside: dict[str, object]) -> None:
    """The plan is fitted to the onsets, and that is said."""
    table = table_of(outside, marker_channel=None)
    assert table.time_line is not None
    assert table.time_line.method == "onsets"
    assert any("no usable markers" in remark for remark in table.facts["remarks"])
    assert table.strokes["strike"].tolist() == list(range(COUNT))
    assert np.flatnonzero(table.strokes["outcome"] == "lost").tolist() == [7]
    assert table.strokes["latency_s"].median() == pytest.approx(LATENCY_S, abs=20e-6)


def test_without_a_plan(outside: dict[str, object]) -> None:
    """Every onset is a stroke of its own, with its note."""
    table = table_of(outside, marker_channel=None, strikes=None)
    assert table.time_line is None
    assert len(table.strokes) == COUNT
    assert (table.strokes["strike"] == -1).all()
    assert (table.strokes["outcome"] == "lost").sum() == 1


def test_without_notes(outside: dict[str, object]) -> None:
    """Only the sensor is measured: all onsets are known, and no stroke is called lost."""
    table = table_of(outside, midi=None)
    assert len(table.notes) == 0
    assert table.strokes["onset_t_s"].notna().all()
    assert set(table.strokes["outcome"]) == {"invalid"}
    assert table.strokes["excluded_because"].str.contains("no notes were recorded").all()


LADDER_N = (1.5, 3.0, 6.0, 12.0)
FLIGHTS_S = (0.0185, 0.0130, 0.0100, 0.0072)
"""A soft stroke's flight is more than twice a hard one's (force over constant coil force: from
memory, no source); the bench file of a take knows none of them."""


@pytest.mark.parametrize("marked", [True, False])
@pytest.mark.parametrize("forces", [True, False])
def test_soft_strokes_fly_longer(tmp_path: Path, marked: bool, forces: bool) -> None:
    """Each strike of a ladder finds its onset, with its force in the plan or without."""
    rng = np.random.default_rng(3)
    level = np.tile(np.arange(4), 8)
    drive_s = 0.5 + np.cumsum(rng.uniform(0.2, 0.3, len(level)))
    landed_s = drive_s + np.array(FLIGHTS_S)[level] + rng.normal(0, 1e-4, len(level))
    pad = any_pad(rng)
    sounds = [percussive(1.5, rng, pad) for _ in level]
    peaks = 0.4 * np.array(LADDER_N)[level] / LADDER_N[-1]
    sensor, truth = place(landed_s, sounds, peaks, drive_s[-1] + 1, RATE_HZ)
    sensor += rng.normal(0, 1e-4, len(sensor))
    t = np.arange(len(sensor)) / RATE_HZ
    marker = 0.5 * (((t[:, None] - drive_s) >= 0) & ((t[:, None] - drive_s) < 4e-4)).any(axis=1)
    soundfile.write(
        tmp_path / "take.wav", np.stack([sensor, marker], axis=1), RATE_HZ, subtype="PCM_24"
    )
    head = "time_s,striker" + ",force_n" * forces
    rows = [
        f"{at:.6f},A" + f",{LADDER_N[k]}" * forces for at, k in zip(drive_s, level, strict=True)
    ]
    (tmp_path / "strikes.csv").write_text("\n".join([head, *rows]) + "\n")
    folder, _ = bring_in(
        audio=tmp_path / "take.wav",
        sensor_channel=1,
        marker_channel=2 if marked else None,
        midi=None,
        strikes=tmp_path / "strikes.csv",
        specimen=None,
        out=tmp_path / "run",
    )
    strokes = build_strokes(load_run(folder)).strokes
    assert strokes["strike"].tolist() == list(range(len(level)))
    np.testing.assert_allclose(strokes["onset_t_s"], truth / RATE_HZ, atol=2e-4)
