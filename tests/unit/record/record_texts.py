"""Texts of the files that the tests of the record room use, and a run begun with them."""

from __future__ import annotations

from pathlib import Path

from rig.record.loaders import parse_bench, parse_protocol, parse_specimen
from rig.record.plan import make_plan
from rig.record.run_folder import RunWriter, make_start

PROTOCOL_TEXT = """\
format = 1
name = "all patterns"
purpose = "each pattern once"

[[stage]]
name = "ladder, with a \\"comma\\""
prompt = "mount the pad"
pattern = "single"
strikers = ["A", "B"]
forces_n = [1, 2, 5, 10]
order = "up_down"
repeats = 3

[[stage]]
name = "rolls"
pattern = "roll"
strikers = ["A", "B"]
rates_per_s = [10, 20, 40]
force_n = 8

[[stage]]
name = "train"
pattern = "buzz"
strikers = ["A", "B"]
strokes = 8
first_gap_ms = 60
last_gap_ms = 25
first_force_n = 20
last_force_n = 1
repeats = 2

[[stage]]
name = "flams"
pattern = "flam"
strikers = ["A", "B"]
gaps_ms = [2, 5, 10]
level_differences_db = [0, -12]
force_n = 10
repeats = 2

[[stage]]
name = "silence"
pattern = "idle"
duration_s = 3

[[limit]]
measure = "latency_p99"
at_most_ms = 9
stage = "rolls"
least_strokes = 30
"""

STRIKER_TEXT = """
[[striker]]
id = "A"
coil_resistance_ohm = 6
coil_inductance_mh = 30
supply_v = 24
longest_pulse_us = 12000
least_gap_ms = 40
thermal_time_constant_s = 60
duty_percent = 10

[striker.calibration]
date = "2025-01-01"
reference_serial = "F-1"
widths_us = [2500, 4000, 6000, 9000]
forces_n = [0.625, 2.56, 8.64, 29.16]
flights_ms = [14, 11, 9, 7]
"""
"""Its forces are 0.04e-9 width_us**3 N."""

BENCH_TEXT = (
    """\
format = 1
name = "test bench"

[board]
port = "sim://bench?seed=1"

[audio]
device = "board"

[[audio.channel]]
number = 2
role = "marker"

[[audio.channel]]
number = 1
role = "sensor"
"""
    + STRIKER_TEXT
    + STRIKER_TEXT.replace('"A"', '"B"').replace("[14, 11, 9, 7]", "[15, 12, 10, 8]")
)

SPECIMEN_TEXT = """\
format = 1

[pad]
name = "loam-mesh"

[module]
name = "brook"
firmware = "1.4"

[[module.zone]]
id = "head"
note = 38
"""


def begin_run(path: Path, coding: str = "rf64") -> RunWriter:
    """Make a run folder of the three texts."""
    protocol_text = PROTOCOL_TEXT
    if coding != "rf64":
        protocol_text += f'\n[record]\ncoding = "{coding}"\n'
    protocol = parse_protocol(protocol_text, "protocol.toml")
    bench = parse_bench(BENCH_TEXT, "bench.toml")
    return RunWriter.create(
        path,
        start=make_start(
            protocol,
            bench,
            parse_specimen(SPECIMEN_TEXT, "specimen.toml"),
            sources=["board_din"],
        ),
        plan=make_plan(protocol, bench),
        protocol_text=protocol_text,
        bench_text=BENCH_TEXT,
        specimen_text=SPECIMEN_TEXT,
    )
