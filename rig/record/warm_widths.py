"""Pulse widths for coils that are warmer or colder than they were calibrated at."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
import pandas as pd

from rig.record.bench_file import StrikerFacts
from rig.record.coil_warmth import coil_temperatures_c, equal_width_us

Floats = npt.NDArray[np.float64]

STEP_K = 1.0
"""Warmth counts in whole steps: half of one is about 0.3 % of force, and strokes of one force keep
one width as long as the coil stays as warm."""
_ROUNDS = 2
"""A longer pulse warms a little more."""


def carry_over(
    strikes: pd.DataFrame,
    bursts: pd.DataFrame,
    strikers: Iterable[StrikerFacts],
    ambient_c: float,
) -> Floats:
    """Widths that strike as hard as the plan's would at the calibrations' temperature.

    The coil is as warm as the room at the first pulse, and warms by its heat capacity: with the
    bursts one right after the other, as the plan has them. Bursts of a search, of which some may be
    left out, are not taken to warm it. Without a heat capacity it stays as warm as the room.

    Parameters
    ----------
    strikes, bursts
        Of a plan; ``strikes`` has the columns ``by_force`` (a force is asked for, not a width) and
        ``searched`` besides.
    strikers
        Of the bench.
    ambient_c
        Of the room.

    Returns
    -------
    (n,) widths in µs, in whole ticks of 0.5 µs; unchanged where a width is asked for, and where the
    striker has no calibration or that has no temperature.
    """
    widths = strikes["width_us"].to_numpy(dtype=np.float64, copy=True)
    lengths = bursts["duration_us"].to_numpy(dtype=np.float64)
    begin_s = pd.Series((np.cumsum(lengths) - lengths) / 1e6, index=bursts["burst"])
    on_s = begin_s.reindex(strikes["burst"]).to_numpy() + strikes["time_us"].to_numpy() / 1e6
    for striker in strikers:
        found = striker.calibration
        own = (strikes["striker"] == striker.id).to_numpy()
        if found is None or found.coil_temperature_c is None or not own.any():
            continue
        cold, by_force = widths[own], strikes["by_force"].to_numpy(dtype=bool)[own]
        sure = ~strikes["searched"].to_numpy(dtype=bool)[own]
        given = cold
        for _ in range(_ROUNDS):
            coil_c = np.full(len(cold), ambient_c)
            if striker.heat_capacity_j_per_k is not None:
                coil_c[:] = _warmth_c(striker, on_s[own], given, sure, ambient_c)
            warmer_k = STEP_K * np.round((coil_c - found.coil_temperature_c) / STEP_K)
            equal = equal_width_us(
                striker, cold, found.coil_temperature_c, found.coil_temperature_c + warmer_k
            )
            change = by_force & (warmer_k != 0.0) & np.isfinite(equal)
            given = np.where(change, np.round(2.0 * equal) / 2.0, cold)
        widths[own] = given
    return widths


def _warmth_c(
    striker: StrikerFacts,
    on_s: Floats,
    widths_us: Floats,
    sure: npt.NDArray[np.bool_],
    ambient_c: float,
) -> Floats:
    """Temperature at each pulse, warmed by those that are ``sure`` to be struck."""
    tick_us = 0.5
    heating = np.where(sure, widths_us, tick_us)
    return coil_temperatures_c(striker, on_s, heating, ambient_c, ambient_c)
