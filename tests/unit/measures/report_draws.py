"""Drawn runs whose truth is known, as stroke tables: what each measure of a report should hold.

Each function draws one run and gives, for each figure, its name, its bounds and the truth.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import numpy as np
import pandas as pd
from scipy import stats
from scipy.special import logit
from stroke_tables import flams, ladder, strokes

from analysis.counts import count_measures, crosstalk_share, stray_rate
from analysis.flam import flam_measures
from analysis.host_path import HostPath
from analysis.latency import latency_measures
from analysis.measure import Measure
from analysis.module_out import sound_measures
from analysis.noise import noise_floor
from analysis.roll import resolvable_rates
from analysis.source_difference import difference_measures, source_difference
from analysis.velocity import TOLD_APART, velocity_measures
from rig.record.specimen import DeclaredCurve

Bounds = tuple[float, float]
Drawn = Iterator[tuple[str, Bounds, float]]
Draw = Callable[[np.random.Generator], Drawn]

FORCES_N = np.linspace(3, 30, 12)


def held(found: list[Measure], truths: dict[str, float]) -> Drawn:
    """Name, bounds and truth of each measure named."""
    by_name = {measure.name: measure for measure in found}
    for name, truth in truths.items():
        yield name, (by_name[name].low, by_name[name].high), truth


def latencies(rng: np.random.Generator) -> Drawn:
    """Polled latencies with a timing error that all strokes of a run share, and one of their own."""
    shared_s, own_s = 2e-4, 3e-5
    true_s = 0.004 + rng.uniform(0, 1e-3, 500)
    seen_s = true_s + rng.normal(0, shared_s) + rng.normal(0, own_s, 500)
    wire = rng.choice([0.00064, 0.00096], 500, p=[0.4, 0.6])
    table = strokes(500, latency_s=seen_s, wire_s=wire, latency_u_s=math.hypot(shared_s, own_s))
    found = latency_measures(table, systematic_u_s=shared_s)
    spread_ms = math.sqrt(1 / 12 + (1e3 * own_s) ** 2)
    yield from held(
        found,
        {
            "latency_median": 4.5, "latency_mean": 4.5, "latency_p95": 4.95, "latency_p99": 4.99,
            "latency_worst": 1e3 * float(true_s.max()), "latency_sd": spread_ms,
        },
    )  # fmt: skip
    # a time on the wire is 320 us a byte: two bytes or three, between which its median jumps
    wire = 0.00096 + rng.normal(0, 5e-6, 300)
    yield from held(latency_measures(strokes(300, wire_s=wire)), {"wire_time": 0.96})


def sounds(rng: np.random.Generator) -> Drawn:
    """A module's output: an audio buffer's delay after each note, all times off by what is shared."""
    count, u_s = 300, 1e-4
    after_note = 0.002 + rng.uniform(0, 0.0013, count)
    latency = 0.004 + rng.uniform(0, 1e-3, count)
    onset = 0.25 * np.arange(count)
    table = strokes(
        count, onset_t_s=onset, note_t_s=onset + latency,
        sound_t_s=onset + latency + after_note + rng.normal(0, u_s), sound_u_s=u_s,
        onset_u_s=1e-6, note_u_s=1e-6,
    )  # fmt: skip
    yield from held(
        sound_measures(table),
        {
            # of the sum of two uniform values the median is the sum of theirs
            "sound_latency_median": 4.5 + 2.65,
            "sound_delay_median": 2.65,
            "sound_delay_sd": 1.3 / math.sqrt(12),
        },
    )


def sources(rng: np.random.Generator) -> Drawn:
    """The same notes by the board, a host that asks once a millisecond, and a recorded line.

    The host's clock is off by what the exchanges leave open, and the line by its baud rate.
    """
    at = np.cumsum(rng.uniform(0.1, 0.3, 250))
    board = pd.DataFrame({"note_t_s": at, "note_u_s": 1e-7, "note": 38, "velocity": 64.0})
    tie_s = 3e-4
    path = HostPath(delay_s=0.0, shared_u_s=5e-3, jitter_s=0.0, late_at_most_s=0.0, remark="")
    late = 0.001 + rng.uniform(0, 0.001, at.size) + rng.normal(0, 1e-4, at.size)
    host = board.assign(
        note_t_s=at + late + rng.normal(0, tie_s), note_u_s=math.hypot(tie_s, path.u_s)
    )
    edge_s, rate_s = 1e-6, 2e-6
    line = board.assign(
        note_t_s=at + rng.normal(0, edge_s, at.size) + rng.normal(0, rate_s), note_u_s=rate_s
    )
    found = difference_measures(
        [
            source_difference(board, host, ("board_din", "host"), path),
            source_difference(board, line, ("board_din", "din_line")),
        ]
    )
    yield from held(
        found,
        {
            "host_offset_mean": 1.5, "host_offset_sd": math.hypot(1 / math.sqrt(12), 0.1),
            "din_line_offset_mean": 0.0, "din_line_offset_sd": 1.0,
        },
    )  # fmt: skip


def shares(rng: np.random.Generator) -> Drawn:
    """Strokes of which some are lost, some double, some speak in another zone; and strays."""
    count = 2000
    outcome = rng.choice(["clean", "lost", "double"], count, p=[0.85, 0.07, 0.08])
    delay_s = np.where(outcome == "double", rng.exponential(0.01, count) + 0.02, np.nan)
    table = strokes(count, outcome=outcome, double_delay_s=delay_s)
    crossed = np.flatnonzero(rng.random(count) < 0.06)
    strays = rng.uniform(0, 3600, rng.poisson(60))
    notes = pd.DataFrame(
        {
            "note_t_s": np.concatenate([0.25 * crossed, strays]),
            "role": ["crosstalk"] * crossed.size + ["stray"] * strays.size,
            "stroke": np.concatenate([crossed, np.full(strays.size, -1)]),
        }
    )
    found = [
        *count_measures(table), crosstalk_share(table, notes), stray_rate(notes, [(0.0, 3600.0)]),
    ]  # fmt: skip
    yield from held(
        found,
        {
            "lost_share": 7.0, "double_share": 8.0, "crosstalk_share": 6.0, "stray_rate": 60.0,
            "double_delay_median": 20 + 10 * math.log(2),
        },
    )  # fmt: skip


def flam_table(rng: np.random.Generator) -> pd.DataFrame:
    """Second strokes caught with a logistic chance over the log gap."""
    gaps = np.geomspace(16.0, 28.0, 20).tolist()
    return flams(
        gaps,
        gap_50_ms=20.0,
        steepness=25.0,
        repeats=30,
        per_db=0.0,
        seed=int(rng.integers(1 << 31)),
    )


def pairs(rng: np.random.Generator) -> Drawn:
    """Such pairs, some of whose second notes are late, some too soft."""
    table = flam_table(rng)
    second = (table["place"] == 1).to_numpy()
    swapped = second & (rng.random(len(table)) < 0.06)
    table["note_t_s"] -= np.where(swapped, 0.04, 0.0)
    # too soft by far, and never at the longest gaps, from which what is usual is read
    near = second & (table["gap_ms"] < 25.0).to_numpy() & (rng.random(len(table)) < 0.1)
    table["velocity"] -= np.where(near, 30.0, 0.0)
    caught = table["outcome"].to_numpy()[second] == "clean"
    soft_chance = 0.1 * float(np.mean(np.asarray(table["gap_ms"])[second][caught] < 25.0))
    yield from held(
        flam_measures(table),
        {
            "flam_gap_50": 20.0, "flam_gap_95": 20.0 * math.exp(logit(0.95) / 25.0),
            "flam_order_kept": 94.0, "flam_level_kept": 100.0 * (1 - soft_chance),
        },
    )  # fmt: skip


def roll_figures(rng: np.random.Generator, middle_s: float, steepness: float) -> list[Measure]:
    """Rolls of strokes that come out clean with a logistic chance over the log gap since a note."""
    rates = np.repeat(np.linspace(24.0, 38.0, 15), 6)
    count = 20
    gaps = 1 / rates[:, None] + rng.normal(0, 3e-4, (rates.size, count))
    at = np.cumsum(gaps, axis=1)
    clean = np.zeros(at.shape, dtype=bool)
    clean[:, 0] = True
    last = at[:, 0].copy()
    for place in range(1, count):
        chance = 1 / (1 + ((at[:, place] - last) / middle_s) ** -steepness)
        clean[:, place] = rng.random(rates.size) < chance
        last = np.where(clean[:, place], at[:, place], last)
    onset = (at + 2.0 * np.arange(rates.size)[:, None]).ravel()
    group, place = (part.ravel() for part in np.indices(at.shape))
    sounds = clean.ravel()
    table = strokes(
        sounds.size, pattern="roll", group=group, place=place, rate_per_s=np.repeat(rates, count),
        outcome=np.where(sounds, "clean", "lost"), onset_t_s=onset, drive_t_s=onset - 0.01,
        note_t_s=np.where(sounds, onset + 0.005, np.nan),
    )  # fmt: skip
    return resolvable_rates(table)


def rolled(rng: np.random.Generator) -> Drawn:
    """The fastest rates of such rolls."""
    middle_s, steepness = 0.03, 40.0
    yield from held(
        roll_figures(rng, middle_s, steepness),
        {
            f"resolvable_rate_{chance}": 1 / middle_s / math.exp(logit(chance / 100) / steepness)
            for chance in (95, 99)
        },
    )


def velocities(rng: np.random.Generator) -> Drawn:
    """A straight ladder; one with a kink; and one struck up and down, lower at one force."""
    seed = int(rng.integers(1 << 31))
    table = ladder(FORCES_N, repeats=16, sd=1.5, most_n=45.0, seed=seed)
    down = np.arange(len(table)) // FORCES_N.size % 2 == 1
    table["sweep"] = np.where(down, "down", "up")
    table.loc[down & (table["force_n"] == FORCES_N[5]), "velocity"] -= 4
    yield from held(velocity_measures(table), {"velocity_hysteresis": 4.0})
    straight = velocity_measures(ladder(FORCES_N, repeats=16, sd=1.5, most_n=45.0, seed=seed + 1))
    yield from held(straight, {"velocity_spread": math.sqrt(1.5**2 + 1 / 12)})


def curves(rng: np.random.Generator) -> Drawn:
    """The exponent, its offset declared or fitted along."""
    seed = int(rng.integers(1 << 31))
    table = ladder(np.linspace(2, 45, 22), exponent=0.8, sd=1.5, most_n=50.0, seed=seed)
    declared = DeclaredCurve(exponent=0.8, least_force_n=1.0)
    yield from held(velocity_measures(table, curve=declared), {"velocity_exponent": 0.8})


def steps(rng: np.random.Generator) -> Drawn:
    """A ladder of random steps, two of which fall, one flat; levels apart by the true walk."""
    rise = np.concatenate([rng.uniform(4, 12, 9), [0.0, -4.0, -5.0]])
    rng.shuffle(rise)
    mean = 12.0 + np.concatenate([[0.0], np.cumsum(rise)])
    force = np.tile(np.linspace(3, 30, mean.size), 16)
    sd = 1.5
    velocity = np.round(np.tile(mean, 16) + rng.normal(0, sd, force.size))
    found = velocity_measures(strokes(force.size, force_n=force, velocity=velocity))
    step, last, count = TOLD_APART * math.hypot(sd, 1 / math.sqrt(12)), mean[0], 1
    for one in mean[1:]:
        if one - last >= step:
            last, count = one, count + 1
    yield from held(
        found,
        {"velocity_monotony": 1 - 2 / rise.size, "velocity_levels_apart": float(count)},
    )


def _off_the_line(mean: np.ndarray, force: np.ndarray) -> dict[str, float]:
    """Largest true deviations, by the definitions."""
    ends = mean - np.interp(force, force[[0, -1]], mean[[0, -1]])
    slope, offset = np.polyfit(force, mean, 1)
    return {
        "velocity_inl_endpoint": float(np.abs(ends).max()),
        "velocity_inl_bestfit": float(np.abs(mean - slope * force - offset).max()),
        "velocity_dnl_worst": float(np.abs(np.diff(mean) - slope * np.diff(force)).max()),
    }


def bent(rng: np.random.Generator) -> Drawn:
    """Modules off the straight line: by nothing, by one level, by a bow, or here and there."""
    straight = 10.0 + 3.2 * FORCES_N
    bow = np.sin(np.pi * (FORCES_N - 3) / 27)
    shapes = {
        "straight": np.zeros(FORCES_N.size),
        "kink": 5.0 * (np.arange(FORCES_N.size) == 6),
        "bow": 6.0 * bow,
        "here and there": rng.normal(0, 1.5, FORCES_N.size),
    }
    force = np.tile(FORCES_N, 16)
    for shape, off in shapes.items():
        mean = straight + off
        velocity = np.round(np.tile(mean, 16) + rng.normal(0, 1.5, force.size))
        table = strokes(force.size, force_n=force, velocity=velocity)
        for name, bounds, truth in held(velocity_measures(table), _off_the_line(mean, FORCES_N)):
            yield f"{name}, {shape}", bounds, truth


def edge_figures(rng: np.random.Generator) -> list[Measure]:
    """Strokes that sound, and that read 127, with a logistic chance over the log of the force."""
    force = np.repeat(np.geomspace(1.0, 30.0, 24), 12)
    sounds = rng.random(force.size) < 1 / (1 + (2.5 / force) ** 12)
    full = rng.random(force.size) < 1 / (1 + (20.0 / force) ** 12)
    velocity = np.where(full, 127.0, np.minimum(1 + 4 * force, 126.0).round())
    table = strokes(
        force.size, force_n=force, velocity=np.where(sounds, velocity, np.nan),
        outcome=np.where(sounds, "clean", "lost"),
    )  # fmt: skip
    return velocity_measures(table)


def edges(rng: np.random.Generator) -> Drawn:
    """The forces at which half of such strokes do."""
    truths = {"velocity_dead_zone": 2.5, "velocity_saturation": 20.0}
    yield from held(edge_figures(rng), truths)


def noises(rng: np.random.Generator) -> Drawn:
    """White noise of rms 0.001; a block of 400 samples about its own mean has 399 freedoms."""
    found = noise_floor(rng.normal(0, 1e-3, 8000 * 3), 8000.0)
    true = 10 * math.log10(2 * 1e-6 * float(stats.chi2.ppf(0.5, 399)) / 400)
    yield from held([found], {"noise_floor": true})
