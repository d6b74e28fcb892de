"""A coil's temperature from what it was given, and what a warm coil makes of a pulse.

Copper's resistance grows by 0.4 % a kelvin, so a warm coil draws less current and strikes softer.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from rig.record.bench_file import StrikerFacts

Floats = npt.NDArray[np.float64]

COPPER_PER_K = 0.00393
"""Temperature coefficient of copper's resistance at 20 °C (IEC 60028, read in a secondary text)."""
COPPER_ZERO_C = 20.0 - 1.0 / COPPER_PER_K
"""Temperature at which the straight line of copper's resistance meets zero: −234.5 °C."""

WARMTH_DOUBT = 0.2
"""Share of a correction for warmth that is taken as its standard uncertainty."""


def copper_ohm(resistance_20_ohm: float, temperature_c: npt.ArrayLike) -> Floats:
    """R(T) = R20 [1 + 0.00393 (T − 20)]; shape of ``temperature_c``."""
    warmer = np.asarray(temperature_c, dtype=np.float64) - 20.0
    return np.asarray(resistance_20_ohm * (1.0 + COPPER_PER_K * warmer))


def copper_temperature_c(resistance_ohm: float, resistance_20_ohm: float) -> float:
    """Temperature of a winding by its measured resistance."""
    return 20.0 + (resistance_ohm / resistance_20_ohm - 1.0) / COPPER_PER_K


def pulse_energy_j(striker: StrikerFacts, width_us: npt.ArrayLike) -> Floats:
    """Heat of one pulse in the coil at 20 °C: the integral of R i², i = V/R (1 − e^(−tR/L)).

    What the coil holds when it is switched off goes into the clamp and isn't counted.
    """
    u, tau_s = _course(striker, width_us, 20.0)
    power = striker.supply_v**2 / striker.coil_resistance_ohm
    squares = -np.log(u) - 2.0 * (1.0 - u) + 0.5 * (1.0 - u**2)
    return np.asarray(power * tau_s * squares)


def coil_temperatures_c(
    striker: StrikerFacts,
    on_s: npt.ArrayLike,
    widths_us: npt.ArrayLike,
    start_c: float,
    ambient_c: float,
) -> Floats:
    """Temperature of the coil as each pulse begins, from its on-time history.

    One heat capacity that leaks to the room with the coil's thermal time constant.

    Parameters
    ----------
    striker
        Its facts. Without ``heat_capacity_j_per_k`` nothing can be told.
    on_s, widths_us
        (n,) starts, not falling, and widths of its pulses.
    start_c, ambient_c
        Of the coil at the first pulse, and of the room.

    Returns
    -------
    (n,) temperatures; NaN without a heat capacity.
    """
    starts = np.asarray(on_s, dtype=np.float64)
    if striker.heat_capacity_j_per_k is None:
        return np.full(starts.shape, np.nan)
    rises = pulse_energy_j(striker, widths_us) / striker.heat_capacity_j_per_k
    kept = np.exp(-np.diff(starts, prepend=starts[:1]) / striker.thermal_time_constant_s)
    return ambient_c + np.array(_leaky_sums(start_c - ambient_c, kept.tolist(), rises.tolist()))


def _leaky_sums(warm_k: float, kept: Iterable[float], rises: Iterable[float]) -> list[float]:
    found, last = [], 0.0
    for share, rise in zip(kept, rises, strict=True):
        warm_k = (warm_k + last) * share
        found.append(warm_k)
        last = rise
    return found


def equal_width_us(
    striker: StrikerFacts,
    width_us: npt.ArrayLike,
    from_c: npt.ArrayLike,
    to_c: npt.ArrayLike,
) -> Floats:
    """Width that drives a coil of one temperature as hard as a width drives it at another.

    Two pulses count as equal when the integral of i³ is: the pull goes with i², and what comes
    later in the pulse, at more current, pulls over a smaller air gap. It is an approximation that
    takes out about nine tenths of the effect (measured on the simulated strikers).

    Parameters
    ----------
    striker
        Its facts.
    width_us, from_c
        Pulses, and the coil's temperature at each.
    to_c
        Temperature to which they are carried over.

    Returns
    -------
    Widths of the common shape; NaN where a temperature is NaN.
    """
    widths, first_c, second_c = np.broadcast_arrays(
        *(np.asarray(one, dtype=np.float64) for one in (width_us, from_c, to_c))
    )
    found = widths.astype(np.float64)
    found[~(np.isfinite(first_c) & np.isfinite(second_c))] = np.nan
    wanted = _drive(striker, widths, first_c)
    # Newton's method on the integral, whose slope is i³; the two widths differ by a few per cent
    for _ in range(8):
        current = _current(striker, found, second_c)
        found = found - (_drive(striker, found, second_c) - wanted) / current**3 * 1e6
    return np.asarray(found)


def _course(
    striker: StrikerFacts, width_us: npt.ArrayLike, temperature_c: npt.ArrayLike
) -> tuple[Floats, Floats]:
    """(e^(−t/τ) at the pulse's end, τ in s)."""
    resistance = copper_ohm(striker.coil_resistance_ohm, temperature_c)
    tau_s = np.asarray(striker.coil_inductance_mh * 1e-3 / resistance)
    return np.exp(-np.asarray(width_us, dtype=np.float64) * 1e-6 / tau_s), tau_s


def _current(striker: StrikerFacts, width_us: Floats, temperature_c: Floats) -> Floats:
    """Current at the end of a pulse, in A."""
    u, _ = _course(striker, width_us, temperature_c)
    return np.asarray(
        striker.supply_v / copper_ohm(striker.coil_resistance_ohm, temperature_c) * (1.0 - u)
    )


def _drive(striker: StrikerFacts, width_us: Floats, temperature_c: Floats) -> Floats:
    """Integral of i³ over a pulse, in A³ s."""
    u, tau_s = _course(striker, width_us, temperature_c)
    final = striker.supply_v / copper_ohm(striker.coil_resistance_ohm, temperature_c)
    shape = -np.log(u) - 3.0 * (1.0 - u) + 1.5 * (1.0 - u**2) - (1.0 - u**3) / 3.0
    return np.asarray(final**3 * tau_s * shape)
