"""From the strokes on a reference sensor to a calibration: warmth, curve, uncertainty."""

from __future__ import annotations

import dataclasses
import math

import msgspec
import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.interpolate import PchipInterpolator

from analysis.force_fit import ForceFit, ForceFitError, fit_force
from analysis.usable_widths import usable_widths
from rig.record.bench_file import Calibration, StrikerFacts
from rig.record.coil_warmth import (
    WARMTH_DOUBT,
    coil_temperatures_c,
    copper_temperature_c,
    equal_width_us,
)

Floats = npt.NDArray[np.float64]

PULSE_FORM = (0.40, 0.80)
"""Impulse over peak force x duration: 0.64 of a half sine (calculus), 0.54 of an elastic sphere
(Hertz). What lies far outside is no contact but a ringing or overloaded sensor."""
TABLE_ROWS = 24
"""Of the bench file's table."""
_ROUNDS = 3


@dataclasses.dataclass(frozen=True, kw_only=True)
class ForceCalibration:
    """A calibrated striker.

    Attributes
    ----------
    striker
        Facts of the bench file.
    strokes
        Those that carry it, columns as ``force_strokes`` gives them, and ``coil_c`` (temperature
        of the coil) and ``force_at_reference_n``.
    levels
        One row a width: width_us, strokes, force_n, low_n, high_n (of one further stroke),
        u_percent (standard, of the curve), impulse_n_s, duration_ms, flight_ms.
    fit
        The curve.
    reference_c
        Temperature of the coil that it is of; None where it can't be told.
    heat_capacity_j_per_k
        Of the coil, as given, or as found from its measured resistances.
    parts_percent
        Standard uncertainties of the forces: reference, curve, warmth.
    remarks
        Sentences for the person.
    """

    striker: StrikerFacts
    strokes: pd.DataFrame
    levels: pd.DataFrame
    fit: ForceFit
    reference_c: float | None
    heat_capacity_j_per_k: float | None
    parts_percent: dict[str, float]
    remarks: tuple[str, ...]

    @property
    def uncertainty_percent(self) -> float:
        """Expanded uncertainty (k = 2) of the forces."""
        return 2.0 * math.sqrt(sum(part**2 for part in self.parts_percent.values()))

    def record(self, *, date: str, reference_serial: str) -> Calibration:
        """Give what stands in the bench file."""
        fit, lack = self.fit, self.fit.lack_of_fit
        # the curve, and not only its levels: what interpolates in the table must not add to it
        widths = np.unique(np.round(2.0 * fit.even_widths_us(TABLE_ROWS)) / 2.0)
        widths = np.clip(widths, fit.least_us, fit.most_us)
        flights = PchipInterpolator(
            np.log(self.levels["width_us"] - fit.threshold_us), np.log(self.levels["flight_ms"])
        )
        return Calibration(
            date=date,
            reference_serial=reference_serial,
            widths_us=tuple(widths.tolist()),
            forces_n=tuple(float(f"{force:.4g}") for force in fit.force_n(widths)),
            flights_ms=tuple(
                float(f"{flight:.4g}")
                for flight in np.exp(flights(np.log(widths - fit.threshold_us)))
            ),
            uncertainty_percent=round(min(self.uncertainty_percent, 100.0), 2),
            spread_percent=round(100.0 * fit.residual_sd, 2),
            coil_temperature_c=None if self.reference_c is None else round(self.reference_c, 1),
            striker_serial=self.striker.serial,
            method=(
                f"log force by a polynomial of degree {fit.degree} of log(width - "
                f"{fit.threshold_us:.1f} µs), {fit.strokes} strokes at {fit.levels} widths; lack "
                f"of fit F({lack.freedom}, {lack.pure_freedom}) = {lack.ratio:.2f}, "
                f"p = {lack.p:.2g}"
            ),
        )


def calibrate_striker(
    strokes: pd.DataFrame,
    striker: StrikerFacts,
    *,
    ambient_c: float,
    reference_uncertainty_percent: float,
    start_ohm: float | None = None,
    end_ohm: float | None = None,
) -> ForceCalibration:
    """Fit a striker's force over its pulse width.

    Parameters
    ----------
    strokes
        From ``force_strokes``; those of other strikers are left out.
    striker
        Its facts.
    ambient_c
        Of the room; forces are given for a coil as warm as that.
    reference_uncertainty_percent
        Expanded uncertainty (k = 2) of the reference sensor.
    start_ohm, end_ohm
        Measured resistance of the coil just before the first and just after the last stroke. Else
        the coil is taken to be as warm as the room at first, and to warm by its heat capacity.

    Raises
    ------
    ForceFitError
        Too few usable strokes, or they carry no rising curve.
    """
    own = strokes[strokes["striker"] == striker.id].sort_values("drive_t_s")
    widths, remarks = usable_widths(own)
    if not len(widths):
        felt = int((own["contacts"] > 0).sum())
        raise ForceFitError(
            f"striker {striker.id!r} can't be calibrated: of {len(own)} strokes the sensor felt "
            f"{felt}, and at no width did all of them land. Check that the sensor stands under "
            "this striker, its cable and its level, and that the pulses are long enough"
        )
    coil_c, capacity = _temperatures(own, striker, ambient_c, start_ohm, end_ohm)
    own = own.assign(coil_c=coil_c)
    good = own[own["width_us"].isin(widths)].copy()
    fit, warmth = _fit_at(good, striker, ambient_c)
    good["force_at_reference_n"] = good["force_n"] * np.exp(warmth)
    known = bool(np.isfinite(good["coil_c"]).all())
    if not known:
        remarks.append(
            "the forces are not corrected for the coil's warmth: give heat_capacity_j_per_k in the "
            "bench file, or the coil's resistance before and after"
        )
    by_width = good.assign(warmth=np.abs(warmth)).groupby("width_us")
    means = by_width[["impulse_n_s", "duration_ms", "flight_ms", "warmth"]].mean()
    form = (good["impulse_n_s"] / good["force_n"] / good["duration_ms"] * 1e3).median()
    if not PULSE_FORM[0] <= form <= PULSE_FORM[1]:
        remarks.append(
            f"impulse over peak force and duration is {form:.2f}; {PULSE_FORM[0]} to "
            f"{PULSE_FORM[1]} is usual for a contact: check the sensor for ringing and overload"
        )
    relative = fit.relative_u(widths)
    low, high = fit.prediction_n(widths)
    levels = pd.DataFrame(
        {
            "width_us": widths,
            "strokes": by_width.size().to_numpy(),
            "force_n": fit.force_n(widths),
            "low_n": low,
            "high_n": high,
            "u_percent": 100.0 * relative,
            **{
                name: means[name].to_numpy() for name in ("impulse_n_s", "duration_ms", "flight_ms")
            },
        }
    )
    if fit.lack_of_fit.p < 0.05:
        remarks.append(
            f"the curve misses the mean forces by more than their scatter explains (p = "
            f"{fit.lack_of_fit.p:.2g}); {100 * fit.lack_of_fit.misfit_sd:.1f} % is added to the "
            "uncertainty for it"
        )
    return ForceCalibration(
        striker=striker,
        strokes=good,
        levels=levels,
        fit=fit,
        reference_c=ambient_c if known else None,
        heat_capacity_j_per_k=capacity,
        parts_percent={
            "reference": reference_uncertainty_percent / 2.0,
            "curve": 100.0 * float(relative.max()),
            "warmth": 100.0 * WARMTH_DOUBT * float(means["warmth"].max()),
        },
        remarks=tuple(remarks),
    )


def _temperatures(
    own: pd.DataFrame,
    striker: StrikerFacts,
    ambient_c: float,
    start_ohm: float | None,
    end_ohm: float | None,
) -> tuple[Floats, float | None]:
    """Coil temperature at each stroke (NaN: not known), and the heat capacity behind it."""
    at_20 = striker.coil_resistance_ohm
    start_c = ambient_c if start_ohm is None else copper_temperature_c(start_ohm, at_20)
    made = np.isfinite(own["drive_t_s"].to_numpy())
    on_s, widths = own["drive_t_s"].to_numpy()[made], own["width_us"].to_numpy()[made]
    capacity = striker.heat_capacity_j_per_k
    if end_ohm is not None and len(on_s):
        # the heat that strokes leave behind goes with 1 / capacity: one that is 1 J/K gives its sum
        facts = _with_capacity(striker, 1.0)
        # a pulse of no width at the end, only to be told the temperature there
        on_s, widths = np.append(on_s, on_s[-1] + 1e-3 * striker.least_gap_ms), np.append(widths, 0)
        alone = coil_temperatures_c(facts, on_s, widths, ambient_c, ambient_c)[-1] - ambient_c
        idle = coil_temperatures_c(facts, on_s, 0.0 * widths, start_c, ambient_c)[-1]
        rise = copper_temperature_c(end_ohm, at_20) - idle
        if not rise > 0.0:
            raise ForceFitError(
                f"the coil's resistance after the strokes ({end_ohm:g} ohm) says that they didn't "
                f"warm it; it started at {start_c:.1f} °C. Measure it again, right after the last "
                "stroke, or leave it out"
            )
        capacity = float(alone / rise)
        on_s, widths = on_s[:-1], widths[:-1]
    found = np.full(len(own), np.nan)
    if capacity is not None:
        facts = _with_capacity(striker, capacity)
        found[made] = coil_temperatures_c(facts, on_s, widths, start_c, ambient_c)
    return found, capacity


def _with_capacity(striker: StrikerFacts, capacity: float) -> StrikerFacts:
    return msgspec.structs.replace(striker, heat_capacity_j_per_k=capacity)


def _fit_at(
    good: pd.DataFrame, striker: StrikerFacts, reference_c: float
) -> tuple[ForceFit, Floats]:
    """Fit the forces as of one temperature; gives the curve and what was added to log force."""
    widths, forces = good["width_us"].to_numpy(), good["force_n"].to_numpy()
    coil_c = good["coil_c"].to_numpy()
    warmth = np.zeros(len(good))
    fit = fit_force(widths, forces)
    if not np.isfinite(coil_c).all():
        return fit, warmth
    # a warm coil's stroke is that of a shorter pulse on one at the reference temperature
    equal = equal_width_us(striker, widths, coil_c, reference_c)
    for _ in range(_ROUNDS):
        warmth = fit.log_force(widths) - fit.log_force(equal)
        fit = fit_force(widths, forces * np.exp(warmth))
    return fit, warmth
