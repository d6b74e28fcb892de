"""Pairs of recorded strokes 4 to 20 ms apart, brought in with a plan, against the truth of each file.

Sounds, truth and noise as in test_recorded_onsets.py, 60 dB above the noise. The second stroke lies
in the sound of the first, which is as new at any moment as a stroke is: what is known of it is
what the plan and the striker's usual flight tell.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from signal_sounds import HELD_OUT, NOT_ONE_EDGE, ONE_SHOTS, place_recorded

from analysis.load import load_run
from analysis.strokes import build_strokes
from rig.capture.bring_in import bring_in

RATE_HZ = 96_000
LONE, PAIRS = 4, 6
FLIGHT_S, FLIGHT_SD_S = 0.008, 0.15e-3
GAPS_MS = (4, 6, 8, 10, 15, 20)
ACOUSTIC = sorted(set(ONE_SHOTS) - set(NOT_ONE_EDGE))


def brought_in(name: str, folder: Path):
    """(stroke table, true onsets in s) of lone strokes and then one pair of each gap."""
    rng = np.random.default_rng(sum(map(ord, name)))
    first_s = 0.4 + 0.8 * np.arange(LONE + PAIRS)
    drive_s = np.sort(np.concatenate([first_s, first_s[LONE:] + 1e-3 * np.array(GAPS_MS)]))
    landed_s = drive_s + FLIGHT_S + rng.normal(0, FLIGHT_SD_S, len(drive_s))
    levels = np.full(len(drive_s), 0.3)
    sensor, truth = place_recorded(name, landed_s, levels, drive_s[-1] + 0.7, rng)
    # what place_recorded adds of its own: up to 50 frames of delay, which no flight has
    drive_s = drive_s + (truth / RATE_HZ - landed_s) - np.median(truth / RATE_HZ - landed_s)
    sensor += rng.normal(0, 0.3e-3, len(sensor))
    t = np.arange(len(sensor)) / RATE_HZ
    marker = np.zeros(len(t))
    for at_s in drive_s:
        marker[(t >= at_s) & (t < at_s + 4e-4)] = 0.5
    folder.mkdir()
    soundfile.write(
        folder / "take.wav", np.stack([sensor, marker], axis=1), RATE_HZ, subtype="PCM_24"
    )
    lines = "".join(f"{at_s:.7f},A\n" for at_s in drive_s)
    (folder / "strikes.csv").write_text("time_s,striker\n" + lines)
    run, _ = bring_in(
        audio=folder / "take.wav",
        midi=None,
        strikes=folder / "strikes.csv",
        specimen=None,
        sensor_channel=1,
        marker_channel=2,
        out=folder / "run",
    )
    return build_strokes(load_run(run)).strokes, truth / RATE_HZ


@pytest.mark.parametrize(
    "names",
    [
        pytest.param([one for one in ACOUSTIC if one in HELD_OUT][1:3], id="two"),
        pytest.param(ACOUSTIC, id="all", marks=pytest.mark.long),
    ],
)
def test_second_strokes_with_a_plan(names: list[str], tmp_path: Path) -> None:
    """None missed, none invented; 90 % or more within what is stated at 95 %; 0.3 ms (rms)."""
    error, u = [], []
    for name in names:
        strokes, truth_s = brought_in(name, tmp_path / name)
        assert strokes["strike"].tolist() == list(range(LONE + 2 * PAIRS)), name
        second = np.arange(LONE + 1, LONE + 2 * PAIRS, 2)
        error.append(strokes["onset_t_s"].to_numpy()[second] - truth_s[second])
        u.append(strokes["onset_u_s"].to_numpy()[second])
    off, stated = np.concatenate(error), np.concatenate(u)
    print(f"rms {1e6 * np.sqrt(np.mean(off**2)):.0f} us, stated {1e6 * np.median(stated):.0f} us")
    assert (np.abs(off) <= 1.96 * stated).mean() >= 0.90
    assert np.sqrt(np.mean(off**2)) < 0.3e-3
