"""Coverage of the intervals that no other file simulates: 93 to 97 % at 95 %.

Exact intervals of counts, and simultaneous ones where a largest is taken, are conservative by
construction: of them at least 93 % is asked, and nothing at the upper end.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import numpy as np
import pytest
from scipy import stats
from stroke_tables import ladder, strokes

from analysis import equivalence, interval
from analysis.latency import latency_measures
from analysis.measure import Measure
from analysis.noise import noise_floor
from analysis.stability import stability
from analysis.velocity import velocity_measures

FORCES_N = np.linspace(3, 30, 12)
Bounds = tuple[float, float]
Draw = Callable[[np.random.Generator], Iterator[tuple[str, Bounds, float]]]


def _of(found: list[Measure], name: str) -> Bounds:
    one = next(measure for measure in found if measure.name == name)
    return one.low, one.high


def latencies(rng: np.random.Generator) -> Iterator[tuple[str, Bounds, float]]:
    """Polled latencies with a timing error that all strokes of a run share."""
    shared_s = 2e-4
    values = 0.004 + rng.uniform(0, 1e-3, 500) + rng.normal(0, shared_s)
    wire = rng.choice([0.00064, 0.00096], 500, p=[0.4, 0.6])
    found = latency_measures(strokes(500, latency_s=values, wire_s=wire), systematic_u_s=shared_s)
    for name, share in (("median", 0.5), ("mean", 0.5), ("p95", 0.95), ("p99", 0.99)):
        yield f"latency_{name}", _of(found, f"latency_{name}"), 4.0 + share
    yield "latency_sd", _of(found, "latency_sd"), 1 / math.sqrt(12)


def velocities(rng: np.random.Generator) -> Iterator[tuple[str, Bounds, float]]:
    """A ladder struck up and down, on the way down 4 levels lower at one force."""
    seed = int(rng.integers(1 << 31))
    table = ladder(FORCES_N, repeats=16, sd=1.5, most_n=45.0, seed=seed)
    down = np.arange(len(table)) // FORCES_N.size % 2 == 1
    table["sweep"] = np.where(down, "down", "up")
    table.loc[down & (table["force_n"] == FORCES_N[5]), "velocity"] -= 4
    found = velocity_measures(table)
    yield "velocity_hysteresis", _of(found, "velocity_hysteresis"), 4.0
    same = ladder(FORCES_N, repeats=16, sd=1.5, most_n=45.0, seed=seed + 1)
    spread = _of(velocity_measures(same), "velocity_spread")
    yield "velocity_spread", spread, math.sqrt(1.5**2 + 1 / 12)


def edges(rng: np.random.Generator) -> Iterator[tuple[str, Bounds, float]]:
    """Strokes that sound, and that read 127, with a logistic chance over the log of the force."""
    force = np.repeat(np.geomspace(1.0, 30.0, 24), 12)
    sounds = rng.random(force.size) < 1 / (1 + (2.5 / force) ** 12)
    full = rng.random(force.size) < 1 / (1 + (20.0 / force) ** 12)
    velocity = np.where(full, 127.0, np.minimum(1 + 4 * force, 126.0).round())
    table = strokes(
        force.size, force_n=force, velocity=np.where(sounds, velocity, np.nan),
        outcome=np.where(sounds, "clean", "lost"),
    )  # fmt: skip
    found = velocity_measures(table)
    yield "velocity_dead_zone", _of(found, "velocity_dead_zone"), 2.5
    yield "velocity_saturation", _of(found, "velocity_saturation"), 20.0


def noises(rng: np.random.Generator) -> Iterator[tuple[str, Bounds, float]]:
    """White noise of rms 0.001; a block of 400 samples about its own mean has 399 freedoms."""
    found = noise_floor(rng.normal(0, 1e-3, 8000 * 3), 8000.0)
    true = 10 * math.log10(2 * 1e-6 * float(stats.chi2.ppf(0.5, 399)) / 400)
    yield "noise_floor", (found.low, found.high), true


def differences(rng: np.random.Generator) -> Iterator[tuple[str, Bounds, float]]:
    """Before and after: shares, places, means, spreads and quantiles."""
    found = equivalence.of_shares(
        int(rng.binomial(300, 0.06)), 300, int(rng.binomial(300, 0.1)), 300
    )
    yield "difference of shares", (found.low, found.high), 0.04
    x, y = rng.uniform(4, 5, 120), rng.uniform(4.5, 5.5, 120)
    found = equivalence.of_places(x, y)
    yield "shift", (found.low, found.high), 0.5
    found = equivalence.of_means(x, y)
    yield "difference of means", (found.low, found.high), 0.5
    found = equivalence.of_statistics(
        x, y, lambda rows: rows.std(axis=1, ddof=1), seed=int(rng.integers(1000))
    )
    yield "difference of spreads", (found.low, found.high), 0.0
    found = equivalence.of_quantiles(rng.normal(5, 1, 400), rng.normal(6, 1, 400), 0.95)
    yield "difference of quantiles", (found.low, found.high), 1.0


def days(rng: np.random.Generator) -> Iterator[tuple[str, Bounds, float]]:
    """A striker read 20 times over a day: bias where it is steady, drift where it drifts."""
    time_s = np.arange(20) * 1800.0
    steady = stability(time_s, 10.2 + rng.normal(0, 0.1, 20), reference=10.0)
    yield "bias", (steady.bias_low, steady.bias_high), 0.2
    found = stability(time_s, 10 + 0.05 * time_s / 3600 + rng.normal(0, 0.1, 20))
    yield "drift", (found.drift_low, found.drift_high), 0.05


CONSERVATIVE = {
    # the largest of 12 differences: simultaneous
    "velocity_hysteresis",
}


@pytest.mark.parametrize("draws", [100, pytest.param(1500, marks=pytest.mark.long)])
@pytest.mark.parametrize("draw", [latencies, velocities, edges, noises, differences, days])
def test_interval_covers_as_promised(draw: Draw, draws: int) -> None:
    """Each interval holds the truth in 93 to 97 % of draws, plus two standard errors of chance."""
    rng = np.random.default_rng(31)
    held: dict[str, int] = {}
    for _ in range(draws):
        for name, (low, high), truth in draw(rng):
            held[name] = held.get(name, 0) + (low <= truth <= high)
    slack = 2.5 * math.sqrt(0.95 * 0.05 / draws)
    shares = {name: count / draws for name, count in held.items()}
    print(shares)
    outside = {
        name: share
        for name, share in shares.items()
        if not 0.93 - slack <= share <= (1.0 if name in CONSERVATIVE else 0.97 + slack)
    }
    assert not outside


def test_exact_rates_never_cover_less() -> None:
    """Poisson intervals summed over all outcomes: at least 95 % at any rate (Garwood 1936)."""
    counts = np.arange(80)
    bounds = np.array([interval.event_rate(int(k), 2.0)[1:3] for k in counts])
    for rate in np.linspace(0.05, 12.0, 60):
        inside = (bounds[:, 0] <= rate) & (rate <= bounds[:, 1])
        assert stats.poisson.pmf(counts, 2.0 * rate)[inside].sum() >= 0.95
