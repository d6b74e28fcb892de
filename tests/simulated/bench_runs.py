"""Short runs on the simulated bench, for the tests of this folder."""

from __future__ import annotations

import importlib.resources
import json
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from rig.preparation import prepare
from rig.record.run_folder import RunReader, verify
from rig.run_files import RunFiles
from rig.runner import RunResult, run

SHORT = """
format = 1
name = "short"
purpose = "a few strokes of each kind"

[[stage]]
name = "singles"
pattern = "single"
prompt = "Clamp the pad."
strikers = ["A", "B"]
forces_n = [3, 12]
repeats = 4
interval_ms = 150

[[stage]]
name = "rolls"
pattern = "roll"
prompt = "Turn the pad by a quarter."
strikers = ["A", "B"]
rates_per_s = [16, 20]
strokes = 10
force_n = 8

[[stage]]
name = "silence"
pattern = "idle"
duration_s = 1.5
"""

LONG_ROLL = """
format = 1
name = "long roll"
purpose = "one burst that is longer than the board's queue"

[[stage]]
name = "roll"
pattern = "roll"
strikers = ["A", "B"]
rates_per_s = [20]
strokes = 420
force_n = 4
"""


def shipped(folder: str, name: str) -> str:
    """Text of a file that comes with the program."""
    root = importlib.resources.files("protocols")
    return (root / folder / f"{name}.toml").read_text("utf-8")


def files(
    protocol: str = SHORT, query: str = "seed=1", bench_change: tuple[str, str] = ("", "")
) -> RunFiles:
    """Files of a run: a protocol's text, and what the simulated bench's URL says."""
    bench = shipped("benches", "simulated").replace("seed=1", query).replace(*bench_change)
    specimen = shipped("specimens", "good_build")
    return RunFiles.from_texts(protocol, bench, specimen)


def run_short(
    path: Path, query: str = "seed=1", protocol: str = SHORT, **options: Any
) -> RunResult:
    """Prepare and run."""
    return run(prepare(files(protocol, query)), path, **options)


def fault_of(path: Path) -> dict[str, Any]:
    """The fault bundle of a run that failed."""
    bundle: dict[str, Any] = json.loads((path / "fault.json").read_text("utf-8"))
    return bundle


def truth_of(path: Path) -> dict[str, Any]:
    """What the simulated bench says beside a run."""
    truth: dict[str, Any] = json.loads(path.with_name(path.name + ".truth.json").read_text("utf-8"))
    return truth


def check_true(path: Path, *, ends_overdue: bool = False, dead: int = 0) -> RunReader:
    """What a record says must be so, however the run ended: no strike that was not one.

    Every coil event that names a strike lies at its burst's zero plus its programmed time, to the
    tick; pulses in truth are as many as recorded, or more where the link broke. ``ends_overdue``:
    the last pulse may be too wide; ``dead``: so many pulses drew no current.
    """
    reader = RunReader.open(path)
    events = reader.events
    zeros = events[events["kind"] == "burst_begin"].set_index("value")["stamp_int"]
    on = events[events["kind"] == "coil_on"]
    plan = reader.plan.strikes.set_index("strike")
    rows = plan.loc[on["strike"]]
    due = zeros.loc[rows["burst"]].to_numpy() + 2 * rows["time_us"].to_numpy()
    np.testing.assert_array_equal(on["stamp_int"].to_numpy(), due)
    assert on["strike"].is_unique
    assert [("A", "B")[coil] for coil in on["value"]] == list(rows["striker"])
    # each coil_off belongs to the coil_on before it
    off = events[events["kind"] == "coil_off"]
    widths = off.set_index("strike")["stamp_int"] - on.set_index("strike")["stamp_int"]
    whole = widths.dropna()
    planned = np.round(2 * plan.loc[whole.index, "width_us"])
    assert (whole <= planned)[: len(whole) - ends_overdue].all()
    if reader.status == "complete":
        assert (whole == planned).all()
        assert len(whole) == len(on) == len(plan)
    assert len(truth_of(path)["pulses"]) >= len(on) - dead
    return reader


def faults_of(path: Path) -> list[str]:
    """What ``verify`` finds."""
    return [str(fault) for fault in verify(path)]


def board_of(reader: RunReader) -> dict[str, Any]:
    """Limits of a run's start record, as plain values."""
    limits: dict[str, Any] = msgspec.to_builtins(reader.start.limits)
    return limits
