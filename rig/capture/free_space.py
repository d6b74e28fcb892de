"""Room on the disk for a recording, asked before the first strike and all through."""

from __future__ import annotations

import shutil
from pathlib import Path

from rig.record.bench_fault import BenchError

_BYTES_A_SAMPLE = 3
_MARGIN_BYTES = 200_000_000
LEAST_LEFT_BYTES = 50_000_000
"""Less than this while recording: the run ends while there is still room to close it well."""


def recording_bytes(duration_s: float, sample_rate_hz: int, channels: int) -> int:
    """Size of a 24-bit recording."""
    return int(duration_s * sample_rate_hz * channels * _BYTES_A_SAMPLE)


def no_room(folder: Path | str, duration_s: float, sample_rate_hz: int, channels: int) -> list[str]:
    """Tell if a recording does not fit, with 200 MB left for all else; empty if it does.

    Parameters
    ----------
    folder
        Where the run folder will be made; it, or a folder above it, exists.
    duration_s, sample_rate_hz, channels
        Of the recording.
    """
    place = Path(folder).absolute()
    while not place.exists():
        place = place.parent
    free = shutil.disk_usage(place).free
    needed = recording_bytes(duration_s, sample_rate_hz, channels) + _MARGIN_BYTES
    if free >= needed:
        return []
    return [
        f"recording {duration_s:.0f} s of {channels} channels at {sample_rate_hz} Hz into "
        f"{place}: {free / 1e6:.0f} MB are free, and {needed / 1e6:.0f} MB are needed; make "
        "room, or choose another disk"
    ]


def require_room_left(folder: Path | str) -> None:
    """Raise BenchError if the disk of a recording that runs has less than 50 MB left."""
    try:
        free = shutil.disk_usage(folder).free
    except OSError:
        return  # writing to it will tell
    if free < LEAST_LEFT_BYTES:
        raise BenchError(
            f"recording into {folder}: {free / 1e6:.0f} MB are free on its disk, and "
            f"{LEAST_LEFT_BYTES / 1e6:.0f} MB are the least; what was recorded is kept. Make room "
            "and start again"
        )
