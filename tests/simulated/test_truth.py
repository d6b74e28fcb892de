"""The whole chain against the truth: the analysis never sees it, and must come to it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from struck import measured_counts, strike

PADS = ("loam-mesh", "flint-rubber", "gale-cymbal")
BUILDS = ("1.4", "1.6")
SEEDS = [
    *range(1, 7),
    *(pytest.param(seed, marks=pytest.mark.long) for seed in range(7, 21)),
]

EVERYTHING = """format = 1
name = "everything"
purpose = "Forces, rolls and flams against the truth"
[[stage]]
name = "ladder"
pattern = "single"
forces_n = [2, 3.5, 6, 11, 20, 36]
order = "shuffled"
repeats = 40
interval_ms = 90
interval_spread_ms = 12
[[stage]]
name = "rolls"
pattern = "roll"
strikers = ["A", "B"]
rates_per_s = [15, 25, 35]
strokes = 10
force_n = 8
rest_ms = 300
[[stage]]
name = "flams"
pattern = "flam"
strikers = ["A", "B"]
gaps_ms = [14, 22, 30, 45]
level_differences_db = [0]
repeats = 2
force_n = 12
rest_ms = 250
"""


@pytest.mark.parametrize("build", BUILDS)
@pytest.mark.parametrize("pad", PADS)
@pytest.mark.parametrize("seed", SEEDS)
def test_counts_latency_and_exponent_are_those_of_the_truth(
    pad: str, build: str, seed: int, tmp_path: Path
) -> None:
    """Lost, double, stray exact; median latency within 30 µs; exponent of the curve within 0.03.

    The median is compared with that of the very same strokes, so its interval has to hold it.
    """
    analysis, truth = strike(EVERYTHING, tmp_path / "run", pad=pad, firmware=build, seed=seed)
    assert measured_counts(analysis) == truth.counts()
    by_name = {m.name: m for m in analysis.measures if not m.stage}
    assert by_name["velocity_exponent"].value == pytest.approx(1.0, abs=0.03)
    latency, median_ms = by_name["latency_median"], 1e3 * float(np.median(truth.latencies_s()))
    assert abs(latency.value - median_ms) < 30e-3
    assert latency.low <= median_ms <= latency.high


@pytest.mark.parametrize(
    "fault", ["lost_soft", "slow", "jitter", "dead_time_grown", "stray", "double"]
)
def test_planted_faults_are_counted_as_in_the_truth(fault: str, tmp_path: Path) -> None:
    """Each fault of a module shows in the counts as the truth has it."""
    protocol = EVERYTHING.split("[[stage]]")
    ladder = "[[stage]]".join(protocol[:2]).replace("forces_n = [2,", "forces_n = [1.4, 2,")
    ladder += '[[stage]]\nname = "silence"\npattern = "idle"\nduration_s = 30\n'
    analysis, truth = strike(ladder, tmp_path / "run", faults=(fault,))
    assert measured_counts(analysis) == truth.counts()
    assert fault != "stray" or truth.counts()["stray"] > 0


def test_onsets_are_where_the_truth_has_them(tmp_path: Path) -> None:
    """Onset errors stay within the uncertainty stated for each: nine in ten within two of it."""
    analysis, truth = strike(EVERYTHING, tmp_path / "run")
    strokes = analysis.table.strokes
    strikes = truth.column("contacts", "strike")
    onset_s = dict(zip(strikes, truth.column("contacts", "onset_s"), strict=True))
    error_s = strokes["onset_t_s"] - strokes["strike"].map(onset_s)
    within = (error_s.abs() <= 2 * strokes["onset_u_s"]).mean()
    assert abs(error_s.median()) < 10e-6
    assert within > 0.9


def test_dead_time_limits_the_roll_as_the_truth_says(tmp_path: Path) -> None:
    """A grown dead time shows as the resolvable rate at which the gap falls below it.

    A note is followed by the dead time, so strokes closer than it are lost: the rate is its
    inverse (periodic input to a fixed dead time; derived, as for particle counters).
    """
    protocol = """format = 1
name = "rolls"
purpose = "Where rolls break"
[[stage]]
name = "rolls"
pattern = "roll"
strikers = ["A", "B"]
rates_per_s = [14, 15, 16, 17, 18, 19, 20, 21, 22, 24]
strokes = 24
repeats = 2
force_n = 8
"""
    settings = {"dead_time_ms": 13.0}
    analysis, truth = strike(
        protocol, tmp_path / "run", faults=("dead_time_grown",), settings=settings
    )
    assert measured_counts(analysis) == truth.counts()
    measure = next(m for m in analysis.measures if m.name == "resolvable_rate_95")
    struck = analysis.table.strokes
    clean = struck.groupby("rate_per_s")["outcome"].apply(lambda rows: (rows == "clean").mean())
    fastest = max(rate for rate, share in clean.items() if share >= 0.95)
    slowest_bad = min((rate for rate, share in clean.items() if share < 0.95), default=np.inf)
    assert not measure.bench_limited
    assert fastest - 0.5 <= measure.value <= slowest_bad + 0.5
