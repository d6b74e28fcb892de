"""Stroke tables of simple made-up modules: a rule each, and a seed."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd


def strokes(count: int, **columns: Any) -> pd.DataFrame:
    """Return clean single strokes 250 ms apart; `columns` replace what they name."""
    stroke = np.arange(count)
    table: dict[str, Any] = {
        "stroke": stroke, "strike": stroke, "burst": 0, "stage": "first", "pattern": "single",
        "striker": "A", "width_us": 3000.0, "force_n": 10.0, "group": -1, "place": 0,
        "rate_per_s": np.nan, "gap_ms": np.nan, "level_difference_db": np.nan, "sweep": "",
        "drive_t_s": 0.25 * stroke, "onset_t_s": 0.25 * stroke + 0.01, "onset_u_s": 2e-5,
        "peak_dbfs": -10.0, "snr_db": 50.0, "peak_after_ms": 1.0, "clipped": False,
        "note_t_s": 0.25 * stroke + 0.015, "note_u_s": 1e-5, "note": 38, "velocity": 64.0,
        "wire_s": 0.00096, "note_source": "board_din", "latency_s": 0.005, "latency_u_s": 2e-5,
        "outcome": "clean", "doubles": 0, "double_delay_s": np.nan, "valid": True,
        "excluded_because": "",
    }  # fmt: skip
    return pd.DataFrame({**table, **columns})


def notes(*rows: tuple[float, str, int]) -> pd.DataFrame:
    """Return a notes table of (time, role, stroke)."""
    table = pd.DataFrame(list(rows), columns=["note_t_s", "role", "stroke"])
    return table.assign(
        note_u_s=1e-5, wire_s=0.00096, note=38, velocity=64, zone="head", source="board_din"
    )


def rolls(
    gaps_of_rolls: list[np.ndarray],
    rates_per_s: list[float],
    *,
    dead_time_s: float,
    extending: bool = False,
    lapse: float = 0.0,
    seed: int = 0,
) -> pd.DataFrame:
    """Return rolls through a detector with a dead time, from the gaps within each roll."""
    rng = np.random.default_rng(seed)
    rows = []
    begin = 0.0
    for group, (gaps, rate) in enumerate(zip(gaps_of_rolls, rates_per_s, strict=True)):
        busy_until = -np.inf
        for place, at in enumerate(begin + np.concatenate([[0.0], np.cumsum(gaps)])):
            sounds = at >= busy_until and rng.random() >= lapse
            if sounds or (extending and at < busy_until):
                busy_until = at + dead_time_s
            rows.append((group, place, rate, at, "clean" if sounds else "lost"))
        begin = rows[-1][3] + 1
    group, place, rate, at, outcome = (np.array(column) for column in zip(*rows, strict=True))
    return strokes(
        len(rows), pattern="roll", group=group, place=place, rate_per_s=rate, outcome=outcome,
        onset_t_s=at, drive_t_s=at - 0.01, note_t_s=np.where(outcome == "clean", at + 0.005, np.nan),
    )  # fmt: skip


def steady_rolls(
    rates_per_s: list[float], *, count: int = 16, repeats: int = 2, jitter_s: float = 2e-4, seed: int = 0,
    **module: Any,
) -> pd.DataFrame:  # fmt: skip
    """Return steady rolls, the strikers' timing spread by `jitter_s`."""
    rng = np.random.default_rng(seed + 1000)
    every = [rate for _ in range(repeats) for rate in rates_per_s]
    gaps = [np.diff(np.arange(count) / rate + rng.normal(0, jitter_s, count)) for rate in every]
    return rolls(gaps, every, seed=seed, **module)


def flams(
    gaps_ms: list[float], *, gap_50_ms: float, steepness: float = 30.0, repeats: int = 10,
    levels_db: tuple[float, ...] = (0.0,), per_db: float = 3.0, seed: int = 0,
) -> pd.DataFrame:  # fmt: skip
    """Return pairs whose second stroke is caught with a logistic chance over the log gap."""
    rng = np.random.default_rng(seed)
    rows = []
    cases = [(level, gap) for level in levels_db for gap in gaps_ms for _ in range(repeats)]
    for group, (level, gap) in enumerate(cases):
        real = gap + rng.normal(0, 0.3)
        chance = 1 / (1 + np.exp(-steepness * np.log(real / gap_50_ms)))
        caught = rng.random() < chance
        velocity = 64 + per_db * level + rng.normal(0, 2)
        late = group + real / 1e3
        rows.append((group, 0, np.nan, level, group, "clean", 64.0, group + 0.005))
        rows.append(
            (group, 1, gap, level, late, "clean" if caught else "lost",
             round(velocity) if caught else np.nan, late + 0.005 if caught else np.nan)
        )  # fmt: skip
    names = "group place gap_ms level_difference_db onset_t_s outcome velocity note_t_s".split()
    columns = {
        name: np.array(values) for name, values in zip(names, zip(*rows, strict=True), strict=True)
    }
    return strokes(len(rows), pattern="flam", **columns)


def ladder(
    forces_n: np.ndarray, *, exponent: float = 1.0, least_n: float = 1.0, most_n: float = 40.0,
    repeats: int = 6, sd: float = 1.0, seed: int = 0, **columns: Any,
) -> pd.DataFrame:  # fmt: skip
    """Return single strokes through ``1 + 126 * ((F - F0) / (F1 - F0)) ** exponent``, rounded."""
    rng = np.random.default_rng(seed)
    force = np.tile(forces_n, repeats)
    part = np.clip((force - least_n) / (most_n - least_n), 0, None)
    velocity = np.round(1 + 126 * part**exponent + rng.normal(0, sd, force.size))
    return strokes(
        force.size, force_n=force, velocity=np.clip(velocity, 1, 127),
        outcome=np.where(force < least_n, "lost", "clean"), **columns,
    )  # fmt: skip
