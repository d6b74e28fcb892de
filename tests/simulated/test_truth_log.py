"""The truth of a simulated run: on the disk as it settles, and the same as if it were kept."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rig.simulation.world import World
from rig.simulation.world_options import read_world

MOST_GROWTH_MB = 10.0
PROGRAM = Path(__file__).with_name("soak_memory.py")


def truth(folder: Path, *, keeps: bool, cut_at: int = -1) -> tuple[dict[str, Any], World]:
    """Strike both strikers by turns for half a minute; a cut pulse now and then."""
    world = read_world({"seed": "5", "firmware": "1.6", "ambient_c": "25"})
    world.keeps_truth = keeps
    source = world.audio_source(48_000, ("sensor",))
    source.start()
    rng = np.random.default_rng(2)
    at_s = 0.3
    for k in range(150):
        width_s = float(rng.uniform(2e-3, 4e-3))
        world.advance(at_s)
        # the second striker alone after a while, so that the first one's last pulse grows old
        coil = k % 2 if k < 40 else 1
        world.coil_on(coil, at_s, at_s + width_s)
        if k == cut_at:
            world.advance(at_s + 1e-3)
            world.coil_cut(coil, at_s + 1e-3)
        at_s += float(rng.uniform(0.08, 0.4))
        source.read_until(world.now_s)
    world.advance(at_s + 2.0)
    world.coil_cut(0, world.now_s)
    path = world.write_truth(folder)
    return json.loads(path.read_text(encoding="utf-8")), world


@pytest.mark.parametrize("cut_at", [-1, 149])
def test_what_settles_on_the_disk_is_what_would_have_been_kept(tmp_path: Path, cut_at: int) -> None:
    """Pulses, contacts and notes, each with its contact, to the last digit; memory holds few."""
    kept, _ = truth(tmp_path / "kept", keeps=True, cut_at=cut_at)
    settled, world = truth(tmp_path / "settled", keeps=False, cut_at=cut_at)
    assert settled == kept
    assert len(kept["pulses"]) == 150
    assert len(kept["notes"]) > 120
    assert max(note["contact"] for note in kept["notes"]) > 120
    assert max(len(world.sounds), len(world.pulses), len(world.module.ports.notes)) < 70
    assert (
        world.write_truth(tmp_path / "settled").read_bytes()
        == (tmp_path / "settled.truth.json").read_bytes()
    )


def test_what_nobody_takes_from_the_host_s_port_is_not_kept_for_ever() -> None:
    """Two messages a stroke: those of the last half minute are left, and come once."""
    world = World(seed=4)
    world.keeps_truth = False
    for k in range(1, 91):
        world.advance(float(k))
        world.coil_on(0, float(k), k + 3e-3)
    world.advance(91.0)
    come = world.take_host_midi()
    assert 50 < len(come) < 80
    assert come[0][0] > 50.0
    assert world.take_host_midi() == []


def test_a_truth_without_a_stroke_is_whole(tmp_path: Path) -> None:
    """Empty tables, not none."""
    world = World()
    world.keeps_truth = False
    world.advance(60.0)
    told = json.loads(world.write_truth(tmp_path / "run").read_text(encoding="utf-8"))
    assert (told["pulses"], told["contacts"], told["notes"]) == ([], [], [])


@pytest.mark.long
@pytest.mark.timeout(3600)
@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="no figures of memory here")
def test_memory_of_a_whole_run_does_not_grow_with_its_strokes(tmp_path: Path) -> None:
    """12,000 strokes of a soak: from the first thousand on within 10 MB, its truth written too."""
    done = subprocess.run(
        [sys.executable, str(PROGRAM), str(tmp_path / "run"), "12000"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout.splitlines()[-1])
    assert told["outcome"] == "complete"
    memory = np.array(told["resident_mb"])
    print(f"{memory[0]:.1f} MB after the first thousand, then {memory.min()} to {memory.max()} MB")
    assert np.ptp(memory) < MOST_GROWTH_MB
    truth_told = json.loads((tmp_path / "run.truth.json").read_text(encoding="utf-8"))
    assert len(truth_told["pulses"]) == len(truth_told["contacts"]) == 12_000
