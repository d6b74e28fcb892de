"""What must be said of a bench's calibrations beside every result."""

from __future__ import annotations

import datetime
from collections.abc import Collection

from rig.record.bench_file import BenchFile


def calibration_doubts(
    bench: BenchFile, on: datetime.date, strikers: Collection[str] | None = None
) -> list[str]:
    """Give a sentence for each striker whose calibration is missing, old, or of another one.

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
    return doubts
