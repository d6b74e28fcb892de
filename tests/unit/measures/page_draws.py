"""Drawn runs whose truth is known, for the intervals beside those of a report.

Those of the pages of advice and comparison, of a calibration, of a bench's qualification and of
a search. Each function draws once and gives, for each figure, its name, its bounds and the truth.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pandas as pd
import report_draws
from report_draws import Drawn
from scipy import stats
from scipy.special import expit, logit
from stroke_tables import strokes

from analysis import equivalence
from analysis.asked import LIMITS
from analysis.compare import compare
from analysis.crosstalk import levels
from analysis.detector import envelopes
from analysis.evidence import recovery_of
from analysis.flam import flam_measures
from analysis.force_fit import fit_force
from analysis.gauge import crossed
from analysis.limit_change import of_limits
from analysis.rate_change import of_rates
from analysis.search import Search
from analysis.sensor import noise
from analysis.sensor_facts import (
    crosstalk_positions,
    crosstalk_table,
    force_table,
    noise_facts,
    position_table,
    stroke_facts,
)
from analysis.stability import stability
from analysis.waveforms import BEFORE_S, Waveforms
from rig.record.specimen import Settings

RATE_HZ = 40_000.0
SPREAD_DB = 0.8


def rung(
    rng: np.random.Generator,
    force_n: np.ndarray,
    *,
    gain_db: float = 0.0,
    spread_db: float = SPREAD_DB,
    lead_db: np.ndarray | float = 0.0,
    late: float = 0.0,
    noise_rms: float = 0.0,
) -> tuple[Waveforms, np.ndarray]:
    """Strokes as they are cut out of a recording, and the level of each in dB.

    Each rises to its peak in 0.42 ms, and falls to 1/e in about 3 ms; some have a late peak at
    about 9 ms. Noise is normal, and a second of it alone stands beside.
    """
    count = force_n.size
    level_db = 20 * np.log10(force_n / 40) + gain_db + lead_db + rng.normal(0, spread_db, count)
    rise_s = 0.42e-3 + rng.normal(0, 1e-5, count)
    fall_s = 3e-3 * np.exp(rng.normal(0, 0.1, count))
    late_s = np.where(rng.random(count) < late, 9e-3 + rng.normal(0, 0.4e-3, count), np.nan)
    # the window's samples lie anywhere about the onset
    t = np.arange(-round(BEFORE_S * RATE_HZ), round(0.12 * RATE_HZ)) / RATE_HZ
    t = t[None, :] - rng.uniform(-0.5, 0.5, count)[:, None] / RATE_HZ
    after = t - rise_s[:, None]
    wave = np.where(after > 0, np.exp(-after / fall_s[:, None]), np.exp(-((after / 1e-4) ** 2)))
    second = np.exp(-(((t - late_s[:, None]) / 3e-4) ** 2))
    wave = wave + 0.7 * np.nan_to_num(second)
    audio = np.minimum(10 ** (level_db[:, None] / 20) * wave, 1.0)
    silence = np.zeros(0, np.float32)
    if noise_rms:
        audio += rng.normal(0, noise_rms, audio.shape)
        silence = rng.normal(0, noise_rms, round(RATE_HZ)).astype(np.float32)
    table = pd.DataFrame(
        {"stroke": np.arange(count), "force_n": force_n, "own_s": 0.3, "quiet_s": 0.3}
    )
    made = envelopes(audio, RATE_HZ, before_s=BEFORE_S, force_n=force_n)
    run = Waveforms(strokes=table, envelopes=made, silence=silence, sample_rate_hz=RATE_HZ)
    return run, level_db


def facts(rng: np.random.Generator) -> Drawn:
    """The sensor itself: peaks, decay, clipping, levels by force."""
    clipped = 100 * float(stats.norm.sf(20 * math.log10(0.999 * 40 / 39.0) / SPREAD_DB))
    hard = stroke_facts(rung(rng, np.full(80, 39.0))[0])[0]
    yield hard.what, (hard.low, hard.high), clipped
    run, _ = rung(rng, np.repeat([5.0, 39.0], 40), late=0.4)
    mixed = stroke_facts(run)[0]
    yield f"{mixed.what}, soft and hard", (mixed.low, mixed.high), clipped / 2
    truths = {
        "first peak after the onset": 0.42,
        "highest peak after the onset": 0.42,
        "strokes that pass half their first peak again later": 40.0,
        # where the late peak's flank and the rest of the ringing together fall to a half
        "last time above half the first peak": 9.0 + 0.3 * math.sqrt(math.log(0.7 / 0.455)),
    }
    for fact in stroke_facts(run):
        if fact.what in truths:
            yield fact.what, (fact.low, fact.high), truths[fact.what]
    today = Settings(threshold_percent=1.0, peak_window_ms=1.0, release_ms=5.0)
    for fact in stroke_facts(run, today=today):
        # the ringing of 3 ms stays below a level that falls in 5 ms, the late peak does not
        if fact.what == "strokes that pass today's re-arming level later":
            yield fact.what, (fact.low, fact.high), 40.0
    truths = {"decay to 1/e": 3.0, "decay by 60 dB": math.log(1000) * 3e-3}
    for fact in stroke_facts(rung(rng, np.full(40, 5.0))[0]):
        if fact.what in truths:
            yield fact.what, (fact.low, fact.high), truths[fact.what]
    table = force_table(run)
    soft = table.iloc[0]
    yield "level at a force", (soft["level_low"], soft["level_high"]), 20 * math.log10(5 / 40)
    yield "spread at a force", (soft["spread_low"], soft["spread_high"]), SPREAD_DB


def silences(rng: np.random.Generator) -> Drawn:
    """Normal noise: its magnitude's percentiles are those of the half-normal law."""
    x = rng.normal(0, 1e-3, 200_000)
    for fact, percent in zip(noise_facts(x, noise(x, 40_000)), (50, 95, 99, 99.9), strict=True):
        truth = 1e-3 * float(stats.halfnorm.ppf(percent / 100))
        yield fact.what, (fact.low, fact.high), 20 * math.log10(truth)


def hums(rng: np.random.Generator) -> Drawn:
    """Hum of a mains that runs slow, in silences that were joined: level at 50 and at 150 Hz."""
    seconds, rate_hz = (0.31, 0.52, 0.27, 0.74, 0.38), 8000
    own_hz = 50.0 + rng.uniform(-0.1, 0.1)
    pieces = []
    for piece_s in seconds:
        t = np.arange(round(piece_s * rate_hz)) / rate_hz + rng.uniform(0, 100)
        hum = 3e-4 * np.cos(2 * np.pi * own_hz * t) + 1e-4 * np.cos(6 * np.pi * own_hz * t + 1)
        pieces.append(hum + rng.normal(0, 2e-4, t.size))
    x = np.concatenate(pieces)
    found = noise(x, rate_hz, tuple(map(len, pieces)))
    for fact in noise_facts(x, found):
        for hz, level in ((50, 3e-4), (150, 1e-4)):
            if fact.what == f"mains line at {hz} Hz":
                yield fact.what, (fact.low, fact.high), 20 * math.log10(level)


def zones(rng: np.random.Generator) -> Drawn:
    """Crosstalk into another zone, and three places of which one is louder."""
    force_n = np.repeat([4.0, 12.0], 8)
    struck, level_db = rung(rng, force_n)
    lead_db = level_db - 20 * np.log10(force_n / 40)
    other, _ = rung(rng, force_n, gain_db=-20.0, lead_db=lead_db, spread_db=0.5)
    row = crosstalk_table(struck, other).iloc[0]
    yield "crosstalk", (row["low"], row["high"]), -20.0
    gains = {0.2: 0.0, 0.5: 0.0, 0.7: 3.0}
    counts = {0.2: (12, 4), 0.5: (3, 3), 0.7: (4, 10)}
    places = {
        place: rung(rng, np.repeat([4.0, 12.0], counts[place]), gain_db=gain)[0]
        for place, gain in gains.items()
    }
    beside = {
        place: rung(rng, one.envelopes.force_n, gain_db=gains[place] - 14.0)[0]
        for place, one in places.items()
    }
    both = {place: (one, beside[place]) for place, one in places.items()}
    for row in crosstalk_positions(both).itertuples():
        yield f"crosstalk at place {row.position}", (row.low, row.high), -14.0
    for row in position_table(places).itertuples():
        yield f"place {row.position}", (row.low, row.high), gains[row.position] - 1.0


def noisy_zones(rng: np.random.Generator) -> Drawn:
    """Crosstalk 34, 22 and 10 dB over the noise (rms) of its sensor, and that of two places."""

    def both(forces: list[float], gain_db: float) -> tuple[Waveforms, Waveforms]:
        force_n = np.repeat(forces, 12)
        struck, level_db = rung(rng, force_n, noise_rms=5e-4)
        lead_db = level_db - 20 * np.log10(force_n / 40)
        other, _ = rung(
            rng, force_n, gain_db=gain_db, lead_db=lead_db, spread_db=0.3, noise_rms=5e-4
        )
        return struck, other

    found = crosstalk_table(*both([1.28, 5.0, 20.0], -26.0))
    for name, row in zip(("drowned", "soft", "hard"), found.itertuples(), strict=True):
        assert math.isinf(row.low) == (name == "drowned")
        yield f"crosstalk over noise, {name}", (row.low, row.high), -26.0
    places = {0.2: both([5.0, 20.0], -26.0), 0.7: both([5.0, 20.0], -22.0)}
    for row in crosstalk_positions(places).itertuples():
        truth = {0.2: -26.0, 0.7: -22.0}[row.position]
        yield f"crosstalk over noise at place {row.position}", (row.low, row.high), truth


def recoveries(rng: np.random.Generator) -> Drawn:
    """Pairs through a dead time and a release: contours at half and at 95 in 100."""
    gaps, differences = np.arange(8.0, 60.0, 3.0), np.array([-12.0, -6.0, 0.0])
    dead_ms, release_ms = rng.uniform(12, 22), rng.uniform(3, 12)
    # a posterior holds on the average over modules, sharp and blurred ones
    jitter_ms = math.exp(rng.uniform(math.log(0.1), math.log(2.0)))
    knee_db = rng.uniform(-6.0, 4.0)
    gap, difference = (
        np.repeat(part.ravel(), 6) for part in np.meshgrid(gaps, differences, indexing="ij")
    )

    def middle_ms(level_db: np.ndarray) -> np.ndarray:
        below_db = np.maximum(0.0, knee_db - level_db)
        return dead_ms + release_ms * below_db * math.log(10) / 20

    wait, at = middle_ms(differences), middle_ms(difference)
    caught = rng.random(gap.size) < expit((gap - at) / jitter_ms)
    second = np.tile([False, True], gap.size)
    begin = np.repeat(np.arange(gap.size) * 1.0, 2)
    outcome = np.full(second.size, "clean", dtype=object)
    outcome[second] = np.where(caught, "clean", "lost")
    table = strokes(
        second.size, pattern="flam", group=np.repeat(np.arange(gap.size), 2),
        place=second.astype(int), gap_ms=np.where(second, np.repeat(gap, 2), np.nan),
        level_difference_db=np.repeat(difference, 2), outcome=outcome,
        onset_t_s=begin + np.where(second, np.repeat(gap, 2) / 1e3, 0.0),
    )  # fmt: skip
    found = recovery_of(table)
    assert found is not None
    for share in (0.5, 0.95):
        contour = found.contour(share)
        truth = wait + jitter_ms * float(logit(share))
        for j, level in enumerate(differences):
            bounds = (float(contour.low_ms[j]), float(contour.high_ms[j]))
            yield f"recovery at {share:g}, {level:+g} dB", bounds, float(truth[j])


def comparisons(rng: np.random.Generator) -> Drawn:
    """Two builds: one is slower, its delay wider, doubles and loses more, and reads higher."""

    def build(later_ms: float, wide_ms: float, doubles: float, lost: float, up: float):  # type: ignore[no-untyped-def]
        count = 320
        force = np.resize([2.0, 5.0, 10.0, 20.0], count)
        latency = 4 + 3 / force + later_ms + rng.uniform(0, wide_ms, count)
        outcome = rng.choice(
            ["clean", "double", "lost"], count, p=[1 - doubles - lost, doubles, lost]
        )
        gone = outcome == "lost"
        velocity = np.round(20 + 20 * np.log2(force) + up + rng.normal(0, 1.5, count))
        return strokes(
            count, force_n=force, outcome=outcome, latency_s=np.where(gone, np.nan, latency / 1e3),
            velocity=np.where(gone, np.nan, velocity),
        )  # fmt: skip

    found = compare(build(0, 1.0, 0.06, 0.05, 0.0), build(0.4, 1.0, 0.1, 0.1, 1.4))
    truths = {
        "latency_median": 0.4, "latency_sd": 0.0, "latency_p95": 0.4,
        "double_share": 100 * (0.1 / 0.9 - 0.06 / 0.95), "lost_share": 5.0, "velocity": 1.4,
    }  # fmt: skip
    for one in found.measures:
        yield f"change of {one.name}", (one.low, one.high), truths[one.name]
        if one.forces:
            bounds = all_at_once([(at.low, at.high) for at in one.forces], truths[one.name])
            yield f"change of {one.name} at a force", bounds, truths[one.name]


def all_at_once(bounds: list[tuple[float, float]], truth: float) -> tuple[float, float]:
    """Bounds that miss the truth, if any of several that promise to hold it together do."""
    missed = [one for one in bounds if one[0] > truth or one[1] < truth]
    return (missed or bounds)[0]


def limits(rng: np.random.Generator) -> Drawn:
    """Two builds: one sounds unasked more often; rolls, flams and the softest force are unchanged."""
    hours = (1.2, 0.7)
    events = [int(rng.poisson(rate * time)) for rate, time in zip((14.0, 30.0), hours, strict=True)]
    found = of_rates(events[0], hours[0], events[1], hours[1])
    yield "change of stray_rate", (found.low, found.high), 16.0
    sides = [
        {
            one.name: one
            for one in (
                *report_draws.roll_figures(rng, 0.03, 40.0),
                *flam_measures(report_draws.flam_table(rng)),
                *report_draws.edge_figures(rng),
            )
        }
        for _ in range(2)
    ]
    for name in LIMITS:
        change = of_limits([sides[0][name]], [sides[1][name]], 0.95)
        assert not isinstance(change, str)
        yield f"change of {name}", (change.difference.low, change.difference.high), 0.0


def crossings(rng: np.random.Generator) -> Drawn:
    """Two builds: the second zone of one rings 1.5 dB louder, and sounds more often."""

    def build(level_db: float, crossed: float) -> pd.DataFrame:
        force_n = np.repeat([4.0, 12.0], 24)
        struck, own_db = rung(rng, force_n)
        lead_db = own_db - 20 * np.log10(force_n / 40)
        other, _ = rung(rng, force_n, gain_db=level_db, lead_db=lead_db, spread_db=0.6)
        one, both = (
            dataclasses.replace(run, strokes=run.strokes.assign(striker="A"))
            for run in (struck, other)
        )
        heard = levels(one, both)
        assert heard["crosstalk_db"].notna().all()
        count = 400
        return strokes(
            count, crossed=rng.random(count) < crossed, force_n=np.resize(force_n, count),
        ).join(heard)  # fmt: skip

    names = ("crosstalk_level", "crosstalk_share")
    found = compare(build(-20.0, 0.05), build(-18.5, 0.09), measures=names)
    for one, truth in zip(found.measures, (1.5, 4.0), strict=True):
        yield f"change of {one.name}", (one.low, one.high), truth
        if one.forces:
            bounds = all_at_once([(at.low, at.high) for at in one.forces], truth)
            yield f"change of {one.name} at a force", bounds, truth


def means(rng: np.random.Generator) -> Drawn:
    """Two samples' means, by Welch's t."""
    x, y = rng.uniform(4, 5, 60), rng.uniform(4.5, 6.5, 60)
    found = equivalence.of_means(x, y)
    yield "difference of means", (found.low, found.high), 1.0


def days(rng: np.random.Generator) -> Drawn:
    """A striker read 20 times over a day: bias where it is steady, drift where it drifts."""
    time_s = np.arange(20) * 1800.0
    steady = stability(time_s, 10.2 + rng.normal(0, 0.1, 20), reference=10.0)
    yield "bias", (steady.bias_low, steady.bias_high), 0.2
    found = stability(time_s, 10 + 0.05 * time_s / 3600 + rng.normal(0, 0.1, 20))
    yield "drift", (found.drift_low, found.drift_high), 0.05


def studies(rng: np.random.Generator) -> Drawn:
    """Four specimens under three remountings, 10 strokes each, of normal effects."""
    own, mount, both, repeat, strokes_n = 1.0, 0.3, 0.2, 0.3, 40
    specimen, mounting = (each.ravel() for each in np.indices((4, 3, 10))[:2])
    value = rng.normal(0, own, 4)[specimen] + rng.normal(0, mount, 3)[mounting]
    value += rng.normal(0, both, (4, 3))[specimen, mounting] + rng.normal(0, repeat, specimen.size)
    table = pd.DataFrame({"specimen": specimen, "mounting": mounting, "value": value})
    study = crossed(table, value="value", part="specimen", conditions=["mounting"])
    gauge = math.hypot(mount, both, repeat)
    truths = {
        "repeatability": repeat, "between mounting": mount, "specimen x mounting": both,
        "bench in all": gauge, "between specimens": own,
    }  # fmt: skip
    for name, figure in study.figures.items():
        yield name, figure[1:3], truths[name]
    share = study.percent_interval
    yield "share of the spread", (share.low, share.high), 100 * gauge / math.hypot(gauge, own)
    quantiles = math.sqrt(2) * (stats.norm.ppf(0.975) + stats.norm.ppf(0.9))
    for where, between in (("within", both), ("between", math.hypot(mount, both))):
        found = study.visible(strokes_n, same_session=where == "within")
        truth = quantiles * math.hypot(between, repeat / math.sqrt(strokes_n))
        yield f"visible {where}", (found.low, found.high), truth

    # two specimens, three remountings, two strikers: nothing but the specimens differs, and little
    specimen, mounting, striker = (each.ravel() for each in np.indices((2, 3, 2, 10))[:3])
    value = rng.normal(0, repeat, 2)[specimen] + rng.normal(0, repeat, specimen.size)
    table = pd.DataFrame(
        {"specimen": specimen, "mounting": mounting, "striker": striker, "value": value}
    )
    few = crossed(table, value="value", part="specimen", conditions=["mounting", "striker"])
    part = few.figures["between specimens"]
    yield "between specimens, two conditions", (part.low, part.high), repeat


def calibrations(rng: np.random.Generator) -> Drawn:
    """A striker's force over its width: one further stroke, and the curve within k = 2."""
    widths = np.unique(np.round(1850.0 + np.geomspace(8.0, 2600.0, 16)))

    def true_n(width_us: np.ndarray) -> np.ndarray:
        room = width_us - 1840.0
        return np.asarray(0.02 * room**0.75 * (1.0 + room / 400.0) ** 0.9)

    struck = np.repeat(widths, 12)
    fit = fit_force(struck, true_n(struck) * np.exp(0.02 * rng.standard_normal(struck.size)))
    asked = np.array([rng.uniform(widths[0], widths[-1])])
    further = float(true_n(asked)[0] * math.exp(0.02 * rng.standard_normal()))
    low, high = fit.prediction_n(asked)
    yield "one further stroke", (float(low[0]), float(high[0])), further
    curve, u = float(fit.force_n(asked)[0]), float(fit.relative_u(asked)[0])
    yield "force of a width", (curve * (1 - 2 * u), curve * (1 + 2 * u)), float(true_n(asked)[0])


def searches(rng: np.random.Generator) -> Drawn:
    """A search for the rate at which 95 in 100 strokes are clean."""
    threshold, width = rng.uniform(12, 34), rng.uniform(0.3, 1.2)
    search = Search(np.arange(6.0, 41.0), rising=False, precision=2.0, target=0.95)
    while not search.finished:
        rate = search.next_level()
        search.record(rate, int(rng.random() < expit(-(rate - threshold) / width)))
    found = search.found()
    yield "rate that is searched", (found.low, found.high), threshold - width * float(logit(0.95))
