"""Crosstalk compared by whole runs on simulated pads of two zones, each with a sensor."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import pytest
import typer
from struck import SPECIMEN

from rig.cli.compare import compare as compare_command
from rig.preparation import prepare
from rig.record.bench_fault import BenchError
from rig.record.loaders import find_file
from rig.run_files import RunFiles
from rig.runner import run
from rig.simulation.presets import PADS

GREW_DB = 3.5
LADDER = """format = 1
name = "two zones"
purpose = "Single strokes on the head"
[[stage]]
name = "ladder"
pattern = "single"
strikers = ["A", "B"]
forces_n = [6, 12]
order = "shuffled"
repeats = 4
interval_ms = 150
[[margin]]
measure = "crosstalk_level"
within_db = 1.5
"""
SENSOR = '[[audio.channel]]\nnumber = 3\nrole = "second_zone"\n\n[midi]'
ZONES = """[[module.zone]]
id = "head"
note = 38
[[module.zone]]
id = "{}"
note = 40
[simulated]"""


def strike(folder: Path, *, pad: str, seed: int, rim: str = "rim", heard: bool = True) -> Path:
    """Strike the ladder; ``heard``: the bench records the rim's sensor."""
    bench = find_file("simulated", "benches").read_text("utf-8").replace("seed=1", f"seed={seed}")
    specimen = SPECIMEN.format(
        pad=pad, module="brook", firmware="1.4", settings="", faults="[]"
    ).replace("[simulated]", ZONES.format(rim))
    bench = bench.replace("[midi]", SENSOR) if heard else bench
    path = folder / f"{pad}-{seed}"
    run(prepare(RunFiles.from_texts(LADDER, bench, specimen), seed=seed), path)
    return path


def compared(*runs: Path, **how: Any) -> dict[str, Any]:
    """What the command's record says of crosstalk, measure by measure."""
    with pytest.raises(typer.Exit):
        compare_command(runs[0], list(runs[1:]), **how)
    record = json.loads((runs[1] / "analysis" / "comparison.json").read_text("utf-8"))
    measures = record["comparisons"][0]["measures"]
    return {one["name"]: one for one in measures if one["name"].startswith("crosstalk")}


def pads(monkeypatch: pytest.MonkeyPatch) -> None:
    """Further pads: one whose rim rings louder, one whose rim stays under the noise."""
    rim = PADS["loam-mesh-rim"]
    for name, times in {"slack": 10 ** (GREW_DB / 20), "dull": 1e-4}.items():
        share = rim.crosstalk_share * times
        pad = dataclasses.replace(rim, name=name, crosstalk_share=share)
        monkeypatch.setitem(PADS, name, pad)


def test_a_pad_whose_crosstalk_grew_is_worse(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """An unchanged pad is equal; one whose rim rings 3.5 dB louder is worse, by that."""
    pads(monkeypatch)
    before = strike(tmp_path, pad="loam-mesh-rim", seed=1)
    found = compared(before, strike(tmp_path, pad="loam-mesh-rim", seed=2))
    assert found["crosstalk_level"]["verdict"] == "equal"
    assert found["crosstalk_level"]["margin"] == 1.5
    assert found["crosstalk_level"]["low"] < 0 < found["crosstalk_level"]["high"]

    slack = strike(tmp_path, pad="slack", seed=3)
    level = compared(before, slack)["crosstalk_level"]
    assert level["verdict"] == "worse"
    assert level["low"] < GREW_DB < level["high"]
    assert level["count_before"] == level["count_after"] == 16
    assert "crosstalk level: from head to rim" in capsys.readouterr().out
    page = (slack / "analysis" / "comparison.html").read_text("utf-8")
    assert "Crosstalk level: from head to rim" in page
    assert "crosstalk level" in page.split("Shown to be worse:")[1].split(".")[0]


@pytest.mark.long
def test_zones_that_are_not_alike_or_not_heard(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A rim that was under the noise gives a bound; other zones are refused, or left out."""
    pads(monkeypatch)
    dull = strike(tmp_path, pad="dull", seed=4)
    level = compared(dull, strike(tmp_path, pad="slack", seed=3))["crosstalk_level"]
    assert level["verdict"] == "worse"
    assert level["high"] is None
    assert level["difference"] > 10
    again = compared(dull, strike(tmp_path, pad="dull", seed=5))
    assert "crosstalk_level" not in again
    assert "crosstalk_share" in again

    before = strike(tmp_path, pad="loam-mesh-rim", seed=1)
    other = strike(tmp_path / "other", pad="loam-mesh-rim", seed=2, rim="bell")
    with pytest.raises(BenchError, match=r"zones differ .*bell.*--allow zones"):
        compare_command(before, [other])
    assert not compared(before, other, allow=["zones"])
    with pytest.raises(BenchError, match="crosstalk_level can't be compared: zones differ"):
        compare_command(before, [other], allow=["zones"], measure=["crosstalk_level"])
