"""Crosstalk told by force on simulated pads of two zones, against what the pad really hands on."""

from __future__ import annotations

import dataclasses
import itertools
import math
from pathlib import Path

import numpy as np
import pytest
from struck import SPECIMEN

from analysis.pipeline import analyse_run
from analysis.sensor_facts import crosstalk_positions, crosstalk_table
from analysis.waveforms import Waveforms, waveforms_of_parts
from rig.preparation import prepare
from rig.record.loaders import find_file
from rig.run_files import RunFiles
from rig.runner import run
from rig.simulation.presets import PADS

LADDER = """format = 1
name = "two zones"
purpose = "Single strokes on the head, soft ones too"
[[stage]]
name = "silence"
pattern = "idle"
duration_s = 2
[[stage]]
name = "ladder"
pattern = "single"
strikers = ["A"]
forces_n = [1, 2, 4, 8, 20]
order = "shuffled"
repeats = 12
interval_ms = 200
interval_spread_ms = 15
"""
SENSOR = '[[audio.channel]]\nnumber = 3\nrole = "second_zone"\n\n[midi]'


def strike(folder: Path, share: float, seed: int) -> tuple[Waveforms, Waveforms]:
    """Strokes on the struck zone's sensor, and on one that hears that share of each."""
    bench = find_file("simulated", "benches").read_text("utf-8").replace("seed=1", f"seed={seed}")
    specimen = SPECIMEN.format(
        pad="two-zones", module="brook", firmware="1.4", settings="threshold_percent = 0.8",
        faults="[]",
    )  # fmt: skip
    rim = PADS["loam-mesh-rim"]
    PADS["two-zones"] = dataclasses.replace(rim, name="two-zones", crosstalk_share=share)
    path = folder / f"{share}-{seed}"
    try:
        files = RunFiles.from_texts(LADDER, bench.replace("[midi]", SENSOR), specimen)
        run(prepare(files, seed=seed), path)
    finally:
        del PADS["two-zones"]
    made = analyse_run(path)
    sensor, beside = (
        waveforms_of_parts(made.recordings, made.begins, made.table.strokes, role=role)
        for role in ("sensor", "second_zone")
    )
    return sensor, beside


@pytest.mark.parametrize(
    "seeds",
    [
        pytest.param(range(2), marks=pytest.mark.early),
        pytest.param(range(2, 32), marks=[pytest.mark.long, pytest.mark.timeout(3600)]),
    ],
    ids=["few", "many"],
)
@pytest.mark.parametrize("share", [0.25, 0.1])
def test_the_interval_holds_the_share_at_every_force(
    share: float, seeds: range, tmp_path: Path
) -> None:
    """A quarter, and a tenth that drowns at 1 N: 93 in 100 intervals hold it; all but one of few.

    Noise at 1 N raises the peak of the other zone by a fifth, and by 60 %.
    """
    truth, drowned = 20 * math.log10(share), share < 0.2
    held = []
    runs = [strike(tmp_path, share, seed) for seed in seeds]
    for both in runs:
        table = crosstalk_table(*both)
        assert list(table["force_n"]) == [1, 2, 4, 8, 20]
        bound = (table["low"] == -math.inf).tolist()
        assert bound[0] == drowned
        # of a tenth, 2 N may stand out of the noise or not; 4 N and more do
        assert not any(bound[2:] if drowned else bound)
        assert (table["high"] - table["low"])[~np.array(bound)].max() < 3.0
        held += list((table["low"] <= truth) & (truth <= table["high"]))
    for first, second in itertools.pairwise(runs):
        places = crosstalk_positions({0.2: first, 0.8: second})
        assert set(places["strokes"]) <= ({36, 48} if drowned else {60})
        assert len(places) == 2
        held += list((places["low"] <= truth) & (truth <= places["high"]))
    print(share, sum(held), len(held))
    assert sum(held) >= min(0.93 * len(held), len(held) - 1)
