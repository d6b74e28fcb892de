"""What must be said of a bench's calibrations beside every result."""

from __future__ import annotations

import datetime
from collections.abc import Collection

import numpy as np
import numpy.typing as npt

from rig.record.bench_file import BenchFile, StrikerFacts
from rig.record.coil_warmth import WARMTH_DOUBT, coil_temperatures_c, equal_width_us
from rig.record.force_width import ForceWidth


def calibration_doubts(
    bench: BenchFile, on: datetime.date, strikers: Collection[str] | None = None
) -> list[str]:
    """Give a sentence for each striker whose calibration is missing, old, or of another one.

    The same for an old measurement of the path of notes into the computer, where they come by it.

    Parameters
    ----------
    bench
        With its calibrations.
    on
        Day of the run.
    strikers
        Those that the run uses; all of the bench if None.
    """
    doubts = []
    for striker in bench.strikers:
        if strikers is not None and striker.id not in strikers:
            continue
        found = striker.calibration
        if found is None:
            doubts.append(
                f"striker {striker.id} is not calibrated: results are given over drive (pulse "
                "width), not over force. strikebench calibrate measures it"
            )
            continue
        age_days = (on - datetime.date.fromisoformat(found.date)).days
        if age_days > bench.calibration_valid_days:
            doubts.append(
                f"the calibration of striker {striker.id} is {age_days} days old; this bench "
                f"trusts one for {bench.calibration_valid_days:g} days. Calibrate it again"
            )
        elif age_days < 0:
            doubts.append(
                f"the calibration of striker {striker.id} is dated {found.date}, after this run: "
                "check the clock of this computer and the bench file"
            )
        if found.striker_serial and found.striker_serial != striker.serial:
            doubts.append(
                f"striker {striker.id} ({striker.serial or 'no serial'}) has the calibration of "
                f"{found.striker_serial}. Calibrate the one that is mounted"
            )
    path = bench.midi.host_path
    if bench.host_alone and path is not None and path.date:
        age_days = (on - datetime.date.fromisoformat(path.date)).days
        if not 0 <= age_days <= bench.calibration_valid_days:
            doubts.append(
                f"the path of notes into this computer was measured on {path.date}, {age_days} "
                f"days before this run; this bench trusts a measurement for 0 to "
                f"{bench.calibration_valid_days:g} days. Measure it again beside the DIN port"
            )
    return doubts


def warmth_doubts(
    striker: StrikerFacts,
    on_s: npt.ArrayLike,
    widths_us: npt.ArrayLike,
    ambient_c: float,
    forces_n: npt.ArrayLike | None = None,
) -> list[str]:
    """Give a sentence if the coil was so much warmer or colder than calibrated that it shows.

    Parameters
    ----------
    striker
        With its calibration; without one, or without a temperature of it, nothing can be told.
    on_s, widths_us
        (n,) starts, in order, and widths of the pulses that it got.
    ambient_c
        Of the room. The coil is taken to be as warm as it at the first pulse, and if its heat
        capacity isn't known at all.
    forces_n
        (n,) forces stated for these pulses, whose widths may have been made to fit the coil's
        warmth already; what the calibration gives for the widths if None.

    Returns
    -------
    list of str
        A sentence where a force is off, or unsure, by more than the calibration's own uncertainty;
        else empty.
    """
    found, widths = striker.calibration, np.asarray(widths_us, dtype=np.float64)
    if found is None or found.coil_temperature_c is None or not widths.size:
        return []
    coil_c = coil_temperatures_c(striker, on_s, widths, ambient_c, ambient_c)
    coil_c = np.where(np.isfinite(coil_c), coil_c, ambient_c)
    curve = ForceWidth(striker)
    equal = equal_width_us(striker, widths, coil_c, found.coil_temperature_c)
    # softer or harder than all that was calibrated: by how much can't be told, but by so much
    equal = np.clip(equal, found.widths_us[0], found.widths_us[-1])
    stated = curve.force_n(widths) if forces_n is None else np.asarray(forces_n, dtype=np.float64)
    off_percent = 100.0 * (curve.force_n(equal) / stated - 1.0)
    off_percent = off_percent[np.isfinite(off_percent)]
    if not off_percent.size:
        return []
    worst = float(off_percent[np.abs(off_percent).argmax()])
    coil = (
        f"the coil of striker {striker.id} was at {coil_c.min():.0f} to {coil_c.max():.0f} °C, its "
        f"calibration is of {found.coil_temperature_c:.0f} °C"
    )
    if abs(worst) > found.uncertainty_percent:
        return [
            f"{coil}: its forces were {'lower' if worst < 0.0 else 'higher'} than stated, by "
            f"{abs(np.median(off_percent)):.1f} % at the median stroke and up to {abs(worst):.1f} "
            "%. Calibrate in a room as warm as this one, or strike more slowly"
        ]
    # widths made to fit the coil take out most of the effect, not all
    unfitted = curve.force_n(np.clip(widths, found.widths_us[0], found.widths_us[-1]))
    doubt_percent = 200.0 * WARMTH_DOUBT * float(np.nanmax(np.abs(unfitted / stated - 1.0)))
    if doubt_percent <= found.uncertainty_percent:
        return []
    return [
        f"{coil}: pulses were made to fit, which leaves its forces unsure by up to "
        f"{doubt_percent:.1f} % (k = 2) at the softest strokes. Calibrate in a room as warm as this"
    ]
