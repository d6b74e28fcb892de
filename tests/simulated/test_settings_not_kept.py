"""Builds that keep to their settings, and builds that don't: said of those alone, by whole runs."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
import struck

from analysis.evidence import why
from analysis.report.causes_part import cause_rows
from rig.record.specimen import Settings
from rig.simulation.presets import BUILDS

PAIRS = """format = 1
name = "pairs"
purpose = "Equal and unlike pairs, and rolls"
[[stage]]
name = "silence"
pattern = "idle"
duration_s = 2
[[stage]]
name = "alone"
pattern = "single"
strikers = ["A", "B"]
forces_n = [4, 12, 30]
repeats = 4
interval_ms = 250
[[stage]]
name = "pairs"
pattern = "flam"
strikers = ["A", "B"]
gaps_ms = [8, 12, 16, 20, 25, 30]
level_differences_db = [-6, 0]
repeats = 5
force_n = 12
rest_ms = 300
[[stage]]
name = "rolls"
pattern = "roll"
strikers = ["A", "B"]
rates_per_s = [16, 30]
strokes = 12
force_n = 8
"""
SETTINGS = {
    "gain_db": 0.0,
    "threshold_percent": 1.6,
    "peak_window_ms": 2.0,
    "dead_time_ms": 13.0,
    "release_ms": 22.0,
}


def explained(folder: Path, **how: object) -> pd.DataFrame:
    """Every fault of a run of pairs and rolls with its cause."""
    analysis, _ = struck.strike(PAIRS, folder, settings=SETTINGS, **how)
    return why(analysis)


def test_a_dead_time_that_grew_is_told_by_what_is_lost(tmp_path: Path) -> None:
    """Of 52 ms instead of 13: none is called too soft, and equal pairs 20 ms apart are the proof."""
    found = explained(tmp_path / "run", faults=("dead_time_grown",))
    assert len(found) > 60
    assert set(found["kind"]) == {"lost"}
    assert set(found["cause"]) == {"shadowed"}
    proof = found[found["not_kept"]]
    assert len(proof) > 20
    assert (proof["setting"] == "dead_time_ms").all()
    assert proof["avoided_by"].min() > SETTINGS["dead_time_ms"]
    told = cause_rows(found, Settings(**SETTINGS))
    assert sum("doesn't keep to them" in row["mend"] for row in told) == 1


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_build_that_keeps_its_settings_is_not_blamed(seed: int, tmp_path: Path) -> None:
    """Pairs that are lost to dead time and release as declared say nothing against the build."""
    found = explained(tmp_path / "run", seed=seed)
    assert len(found) > 5
    assert set(found["cause"]) == {"shadowed"}
    assert not found["not_kept"].any()


def test_a_release_that_fell_is_told_and_no_late_peak_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of 5 ms instead of 22 after a dead time that is kept: the ringing is to blame, each time."""
    monkeypatch.setitem(BUILDS["brook"], "fast", {"release_ms": ("is", 5.0)})
    found = explained(tmp_path / "run", firmware="fast")
    doubles = found[found["kind"] == "double"]
    assert len(doubles) > 20
    assert (doubles["cause"] == "release_too_fast").mean() >= 0.95
    assert doubles["not_kept"].mean() > 0.9
