"""What a run tells of its sensor, figure by figure, each with its interval."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from analysis import interval
from analysis.choices import recovery_times_ms
from analysis.crosstalk_level import ratios
from analysis.interval import Interval
from analysis.sensor import Noise, by_force
from analysis.sensor import strokes as describe
from analysis.waveforms import Waveforms
from rig.record.specimen import Settings

REARM_SHARE = 0.5
"""Share of the first peak above which a later one counts as a late peak."""
_STRETCHES = 10


@dataclasses.dataclass(frozen=True, kw_only=True)
class Fact:
    """One figure: value and interval in ``unit``, of ``count`` strokes or stretches."""

    what: str
    value: float
    low: float
    high: float
    unit: str
    count: int
    method: str


def _fact(what: str, found: Interval, unit: str, count: int, scale: float = 1.0) -> Fact:
    return Fact(
        what=what,
        value=scale * found.value,
        low=scale * found.low,
        high=scale * found.high,
        unit=unit,
        count=count,
        method=found.method,
    )


def noise_facts(samples: ArrayLike, found: Noise, confidence: float = 0.95) -> list[Fact]:
    """Noise floor and mains lines; intervals of the floor from ten stretches of the silence."""
    x = np.asarray(samples, dtype=np.float64).ravel()
    x = np.abs(x - x.mean())
    parts = np.array_split(x, _STRETCHES)
    facts = []
    for percent in found.percentiles:
        # few samples of a stretch lie beyond its highest percentiles: no straight interpolation
        ends = [float(np.percentile(p, percent, method="median_unbiased")) for p in parts]
        levels = [20.0 * math.log10(max(end, 1e-12)) for end in ends]
        mean = interval.mean(levels, confidence)
        mean = mean._replace(method=f"{mean.method} over {_STRETCHES} stretches")
        facts.append(
            _fact(f"noise stays below, {percent:g} % of the time", mean, "dBFS", _STRETCHES)
        )
    for hz, line in found.mains.items():
        method = "least squares, noncentral chi-square"
        level = Interval(line.level_dbfs, line.low_dbfs, line.high_dbfs, method)
        facts.append(_fact(f"mains line at {hz:g} Hz", level, "dBFS", line.count))
    return facts


def stroke_facts(
    run: Waveforms, confidence: float = 0.95, today: Settings | None = None
) -> list[Fact]:
    """Clipping, peaks in time, late peaks and decay of strokes that ring out alone.

    With the settings in force known, also how long late peaks pass the re-arming level, as it
    would fall from each stroke's peak if there were no dead time.
    """
    alone = run.lonely()
    if len(alone.envelopes) == 0:
        return []
    table = describe(alone.envelopes, rearm_share=REARM_SHARE)
    count = len(table)
    late = table["late_peak_ms"].dropna()
    decays = table[["decay_ms", "t60_s"]].dropna()

    block_ms = 1e3 / alone.envelopes.rate_hz

    def median(values: pd.Series) -> Interval:
        return interval.quantile(values.to_numpy(dtype=float), 0.5, confidence)

    def instant(begins_ms: pd.Series) -> Interval:
        """Median of instants of which only the block is known in which they lie."""
        found = median(begins_ms)
        return Interval(
            found.value + 0.5 * block_ms,
            found.low,
            found.high + block_ms,
            f"{found.method}; known to a block of {1e3 * block_ms:.3g} µs",
        )

    facts = [
        _fact(
            "clipped in the recording",
            interval.share(int(table["clipped"].sum()), count, confidence),
            "%", count, 100.0,
        ),
        _fact("first peak after the onset", instant(table["first_peak_ms"]), "ms", count),
        _fact("highest peak after the onset", instant(table["highest_peak_ms"]), "ms", count),
        _fact(
            "strokes that pass half their first peak again later",
            interval.share(len(late), count, confidence),
            "%", count, 100.0,
        ),
    ]  # fmt: skip
    if len(late):
        facts.append(_fact("last time above half the first peak", instant(late), "ms", len(late)))
    if today is not None and None not in (
        today.threshold_percent, today.peak_window_ms, today.release_ms
    ):  # fmt: skip
        window_ms = today.peak_window_ms or 0.0
        until_ms = recovery_times_ms(
            alone.envelopes, today.threshold_percent or 0.0, window_ms, today.release_ms or 0.0,
            today.gain_db or 0.0,
        )  # fmt: skip
        passing = until_ms[until_ms > window_ms]
        facts.append(
            _fact(
                "strokes that pass today's re-arming level later",
                interval.share(passing.size, count, confidence),
                "%", count, 100.0,
            )
        )  # fmt: skip
        if passing.size:
            last = Interval(float(passing.max()), math.nan, math.nan, "the latest of all")
            facts.append(_fact("the last of them, after the trigger", last, "ms", passing.size))
    if len(decays):
        facts += [
            _fact("decay to 1/e", median(decays["decay_ms"]), "ms", len(decays)),
            _fact("decay by 60 dB", median(decays["t60_s"]), "s", len(decays)),
        ]
    return facts


def force_table(run: Waveforms, confidence: float = 0.95) -> pd.DataFrame:
    """Level, spread and head room of each force.

    Columns of :func:`analysis.sensor.by_force`, and level_low, level_high, spread_low, spread_high.
    Empty without lonely strokes.
    """
    alone = run.lonely()
    if len(alone.envelopes) == 0:
        return pd.DataFrame()
    described = describe(alone.envelopes)
    table = by_force(described)
    levels = [
        described.loc[_same(described["force_n"], force), "peak_dbfs"] for force in table["force_n"]
    ]
    means = [interval.mean(level.to_numpy(dtype=float), confidence) for level in levels]
    spreads = [
        interval.sd_of_normal(float(level.std()), len(level) - 1, confidence) for level in levels
    ]
    return table.assign(
        level_low=[m.low for m in means],
        level_high=[m.high for m in means],
        spread_low=[s.low for s in spreads],
        spread_high=[s.high for s in spreads],
    )


def crosstalk_table(struck: Waveforms, other: Waveforms, confidence: float = 0.95) -> pd.DataFrame:
    """Level of another zone against the struck one, by force: force_n, strokes, db, low, high.

    Noise is taken off (:func:`analysis.crosstalk_level.ratios`), and its uncertainty widens the
    interval in quadrature. Where a force is too near the noise, ``db`` is what the level is at
    most, and ``low`` is minus infinity.
    """
    rows = []
    for force, group in ratios(struck, other).groupby("force_n", dropna=False):
        mean = interval.mean(group["db"].to_numpy(dtype=float), confidence)
        extra = float(stats.norm.ppf(0.5 + confidence / 2.0)) * float(group["u_db"].mean())
        half = math.hypot(mean.high - mean.value, extra)
        bounds = (mean.value, mean.value - half, mean.value + half)
        if not group["heard"].all():
            highest = float(group["db"].max()) if math.isnan(half) else bounds[2]
            bounds = (highest, -math.inf, highest)
        rows.append((force, len(group), *bounds))
    found = pd.DataFrame(rows, columns=["force_n", "strokes", "db", "low", "high"])
    return found.sort_values("force_n", ignore_index=True)


def position_table(places: Mapping[float, Waveforms], confidence: float = 0.95) -> pd.DataFrame:
    """Level over strike position, at forces struck at every place: hot spots stand out in dB.

    Parameters
    ----------
    places
        Position (0 centre, 1 edge) -> strokes there.
    confidence
        Of the intervals.

    Returns
    -------
    pandas.DataFrame
        position, strokes, db (mean level over that of all places, force by force), low, high
        (Student t by Welch and Satterthwaite; NaN where a place has one stroke of a force).
        Empty with fewer than two places or no force in common.
    """
    tables = {place: describe(run.lonely().envelopes) for place, run in places.items()}
    return _over_places(
        {place: t.rename(columns={"peak_dbfs": "db"}) for place, t in tables.items()},
        confidence, against_all=True,
    )  # fmt: skip


def crosstalk_positions(
    places: Mapping[float, tuple[Waveforms, Waveforms]], confidence: float = 0.95
) -> pd.DataFrame:
    """Level of another zone against the struck one over strike position.

    Parameters
    ----------
    places
        Position (0 centre, 1 edge) -> strokes there, on the struck zone and on the other one.
    confidence
        Of the intervals.

    Returns
    -------
    pandas.DataFrame
        As :func:`position_table`; ``db``: other over struck zone, mean of the forces that stand
        out of the noise at every place; noise is taken off, as in :func:`crosstalk_table`.
    """
    tables = {}
    for place, (struck, other) in places.items():
        told = ratios(struck, other)
        tables[place] = told[told["heard"].to_numpy(dtype=bool)]
    return _over_places(tables, confidence, against_all=False)


def _over_places(
    tables: Mapping[float, pd.DataFrame], confidence: float, *, against_all: bool
) -> pd.DataFrame:
    """Mean of ``db`` at each place over the forces in common; less that of all places if asked."""
    common: set[float] = set()
    if len(tables) > 1:
        common = set.intersection(*(set(t["force_n"].dropna()) for t in tables.values()))
    if not common:
        return pd.DataFrame(columns=["position", "strokes", "db", "low", "high"])
    order = sorted(tables)
    used = [tables[place][tables[place]["force_n"].isin(common)] for place in order]
    by = [one.groupby("force_n")["db"] for one in used]
    # each force weighs alike, however often it was struck; shape (places, forces)
    level = np.stack([one.mean().to_numpy() for one in by])
    variance = np.stack([(one.var() / one.size()).to_numpy() for one in by])
    freedom = np.stack([one.size().to_numpy() - 1.0 for one in by])
    part = np.eye(len(order)) / len(common)
    if against_all:
        # a mean that each place is part of: its own part in the difference, and theirs
        level = level - level.mean(axis=0)
        part -= 1.0 / len(order) / len(common)
    off = level.mean(axis=1)
    rows = []
    for k, place in enumerate(order):
        terms = part[k][:, None] ** 2 * variance
        error = math.sqrt(float(terms.sum()))
        with np.errstate(divide="ignore", invalid="ignore"):
            # Welch and Satterthwaite (from memory)
            degrees = float(terms.sum() ** 2 / (terms**2 / freedom).sum())
        half = float(stats.t.ppf(0.5 + confidence / 2.0, degrees)) * error
        if "u_db" in used[k]:
            # noise lifts strokes of all forces alike: no mean makes it less
            shared = float(used[k].groupby("force_n")["u_db"].mean().mean())
            half = math.hypot(half, float(stats.norm.ppf(0.5 + confidence / 2.0)) * shared)
        rows.append((place, len(used[k]), float(off[k]), off[k] - half, off[k] + half))
    return pd.DataFrame(rows, columns=["position", "strokes", "db", "low", "high"])


def _same(values: ArrayLike, value: float) -> NDArray[np.bool_]:
    """Tell which values equal one; NaN equals NaN."""
    v = np.asarray(values, dtype=float)
    return np.asarray(np.isnan(v) if math.isnan(value) else v == value)
