"""Strikes protocols on the simulated bench, and reads the truth that it wrote beside the run."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import numpy as np

from analysis.measure import Measure
from analysis.pipeline import Analysis, analyse_run
from rig.preparation import prepare
from rig.record.loaders import find_file
from rig.run_files import RunFiles
from rig.runner import RunResult, run

SPECIMEN = """format = 1
[pad]
name = "{pad}"
strike_position = 0.3
[module]
name = "{module}"
firmware = "{firmware}"
[module.settings]
{settings}
[simulated]
pad = "{pad}"
module = "{module}"
firmware = "{firmware}"
faults = {faults}
"""

EVERYTHING_SHORT = """format = 1
name = "a bit of everything"
purpose = "A few strokes of each kind"
[[stage]]
name = "ladder"
pattern = "single"
forces_n = [3, 8, 20]
repeats = 4
interval_ms = 130
interval_spread_ms = 12
[[stage]]
name = "rolls"
pattern = "roll"
strikers = ["A", "B"]
rates_per_s = [15, 30]
strokes = 6
force_n = 8
[[stage]]
name = "flams"
pattern = "flam"
strikers = ["A", "B"]
gaps_ms = [22, 40]
repeats = 2
force_n = 12
"""


@dataclasses.dataclass(frozen=True)
class Truth:
    """What really happened, its times turned into the recording's own seconds."""

    content: dict[str, Any]

    def t_s(self, true_s: np.ndarray) -> np.ndarray:
        """True seconds on the audio clock as the analysis counts it."""
        clocks = self.content["clocks"]
        frames = (true_s - clocks["audio_start_s"]) / clocks["audio_step_s"]
        return frames / clocks["audio_rate_hz"]

    def column(self, table: str, name: str) -> np.ndarray:
        """One column of ``contacts`` or ``notes``; those that end in ``_s`` on the audio clock."""
        values = np.array([row[name] for row in self.content[table]])
        is_time = name in ("onset_s", "contact_s", "end_s")
        return self.t_s(values) if is_time else values

    def first_notes(self) -> dict[int, float]:
        """Contact -> end of its first note."""
        found: dict[int, float] = {}
        ends = self.column("notes", "end_s")
        for row, end_s in zip(self.content["notes"], ends, strict=True):
            if row["contact"] >= 0 and row["note"] == 38:
                found.setdefault(row["contact"], float(end_s))
        return found

    def latencies_s(self) -> np.ndarray:
        """Onset to end of the first note, for each contact that got one."""
        onsets = self.column("contacts", "onset_s")
        return np.array([end - onsets[contact] for contact, end in self.first_notes().items()])

    def counts(self) -> dict[str, int]:
        """Strokes lost, second and further notes, and notes without a stroke.

        A note that interference made within 150 ms of a stroke that has sounded is that stroke's
        double, by the definition in MEASURES.md: nothing that is recorded tells them apart.
        """
        own = [row["contact"] for row in self.content["notes"] if row["note"] == 38]
        caught = {contact for contact in own if contact >= 0}
        strays_s = [
            end_s
            for row, end_s in zip(self.content["notes"], self.column("notes", "end_s"), strict=True)
            if row["note"] == 38 and row["contact"] < 0
        ]
        first, onset_s = self.first_notes(), self.column("contacts", "onset_s")
        near = sum(
            any(end_s < stray_s <= onset_s[k] + 0.15 for k, end_s in first.items())
            for stray_s in strays_s
        )
        return {
            "lost": len(self.content["contacts"]) - len(caught),
            "double": sum(contact >= 0 for contact in own) - len(caught) + near,
            "stray": len(strays_s) - near,
        }


def truth_beside(folder: Path) -> Truth:
    """The truth that the simulated bench wrote beside a run."""
    path = folder.with_name(folder.name + ".truth.json")
    return Truth(json.loads(path.read_text(encoding="utf-8")))


def strike(protocol: str, folder: Path, **how: Any) -> tuple[Analysis, Truth]:
    """Run a protocol text as ``record`` does, analyse the run, and read its truth."""
    record(protocol, folder, **how)
    return analyse_run(folder), truth_beside(folder)


def record(
    protocol: str,
    folder: Path,
    *,
    pad: str = "loam-mesh",
    module: str = "brook",
    firmware: str = "1.4",
    faults: tuple[str, ...] = (),
    settings: dict[str, float] | None = None,
    seed: int = 1,
    sample_rate_hz: int = 96_000,
    query: str = "",
) -> RunResult:
    """Run a protocol text on the simulated bench."""
    bench_text = find_file("simulated", "benches").read_text(encoding="utf-8")
    bench_text = bench_text.replace("seed=1", f"seed={seed}{query}")
    bench_text = bench_text.replace("96_000", str(sample_rate_hz))
    lines = "\n".join(f"{name} = {value}" for name, value in (settings or {}).items())
    specimen_text = SPECIMEN.format(
        pad=pad, module=module, firmware=firmware, settings=lines, faults=json.dumps(list(faults))
    )
    files = RunFiles.from_texts(protocol, bench_text, specimen_text)
    return run(prepare(files, seed=seed), folder)


def measured(analysis: Analysis, name: str) -> Measure:
    """The measure of the whole run."""
    return next(m for m in analysis.measures if m.name == name and not m.stage)


def measured_counts(analysis: Analysis) -> dict[str, int]:
    """What the analysis counted."""
    strokes, notes = analysis.table.strokes, analysis.table.notes
    return {
        "lost": int((strokes["outcome"] == "lost").sum()),
        "double": int(strokes["doubles"].sum()),
        "stray": int((notes["role"] == "stray").sum()),
    }
