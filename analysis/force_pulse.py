"""Strokes on a reference force sensor: contact, peak force, impulse and duration of each."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Window = Callable[[int, int], npt.NDArray[np.floating]]
"""Gives samples from a frame on, (frames,), fewer where the recording ends."""

BEFORE_S = 0.02
"""Silence before a drive, from which zero and noise are taken."""
LOOK_S = 0.06
"""No plunger takes longer from coil on to contact (common practice, no source)."""
FULL_SCALE = 0.999
_LEAST_SNR = 8.0
_NEAR_PEAK = 0.9
_RISE = 0.15
_LEAST_FRAMES = 4


@dataclasses.dataclass(frozen=True)
class ForcePulses:
    """One entry a strike; NaN where none was felt.

    Attributes
    ----------
    contact_frame
        Where the rising flank, drawn on to zero, begins; with its fraction.
    peak_n, impulse_n_s, duration_s
        Of the first contact; its duration between both flanks drawn on to zero.
    noise_n
        Standard deviation of the sensor's noise before the strike.
    contacts
        Contacts after this strike and before the next one; more than one when the coil is still on
        at the rebound.
    clipped
        A sample reached full scale.
    """

    contact_frame: Floats
    peak_n: Floats
    impulse_n_s: Floats
    duration_s: Floats
    noise_n: Floats
    contacts: Ints
    clipped: npt.NDArray[np.bool_]


def measure_pulses(
    window: Window,
    drive_frames: npt.ArrayLike,
    sample_rate_hz: float,
    newtons_per_full_scale: float,
    look_s: float = LOOK_S,
) -> ForcePulses:
    """Measure the pulse that follows each strike.

    Parameters
    ----------
    window
        Reads the force channel; memory does not grow with the recording.
    drive_frames
        (n,) frames at which coils go on, in order; NaN for a strike that was never made.
    sample_rate_hz, newtons_per_full_scale
        Rate, and scale of the sensor.
    look_s
        A contact is looked for so long after its drive, or up to the next drive.
    """
    drives = np.asarray(drive_frames, dtype=np.float64)
    rows = np.full((len(drives), 5), np.nan)
    contacts = np.zeros(len(drives), dtype=np.int64)
    clipped = np.zeros(len(drives), dtype=bool)
    before, look = round(BEFORE_S * sample_rate_hz), round(look_s * sample_rate_hz)
    known = np.flatnonzero(np.isfinite(drives))
    later = np.append(drives[known][1:], np.inf)
    for row, following in zip(known, later, strict=True):
        drive = math.ceil(drives[row])
        first = max(drive - before, 0)
        stop = min(drive + look, math.floor(min(following, 2**62)))
        samples = np.asarray(window(first, stop - first), dtype=np.float64)
        silent = samples[: drive - first]
        if len(silent) < before // 2 or len(samples) <= len(silent) + _LEAST_FRAMES:
            continue
        clipped[row] = bool((np.abs(samples) >= FULL_SCALE).any())
        force = (samples - np.median(silent)) * newtons_per_full_scale
        noise = float(np.std(silent)) * newtons_per_full_scale
        found = pulses_in(force[len(silent) :], sample_rate_hz, noise)
        contacts[row] = len(found)
        rows[row, 4] = noise
        if len(found):
            rows[row, :4] = found[0]
            rows[row, 0] += drive
    contact, peak, impulse, duration, noises = rows.T
    return ForcePulses(contact, peak, impulse, duration, noises, contacts, clipped)


def pulses_in(force_n: npt.ArrayLike, sample_rate_hz: float, noise_n: float = 0.0) -> Floats:
    """Measure all contacts in a stretch of force.

    Parameters
    ----------
    force_n
        (frames,) force, its zero taken out, pushing positive; NaN counts as none.
    sample_rate_hz
        Rate.
    noise_n
        Standard deviation of its noise; smaller things than 8 of it are no contact.

    Returns
    -------
    (contacts, 4): contact frame, peak force in N, impulse in N s, duration in s, in order of time.
    Empty where nothing touched.
    """
    force = np.nan_to_num(np.asarray(force_n, dtype=np.float64))
    least = _LEAST_SNR * noise_n
    rows: list[tuple[float, float, float, float]] = []
    above = np.concatenate([[False], force > max(least, 1e-12), [False]])
    starts, ends = np.flatnonzero(np.diff(above.astype(np.int8))).reshape(-1, 2).T
    for start, end in zip(starts, ends, strict=True):
        top = start + int(force[start:end].argmax())
        peak = _peak_n(force, top)
        if end - start < _LEAST_FRAMES or not peak > least:
            continue
        low = max(0.01 * peak, 4.0 * noise_n)
        begin = _flank(force[: top + 1], low, low + _RISE * peak)
        finish = (
            len(force) - 1 - _flank(force[: top - 1 if top else None : -1], low, low + _RISE * peak)
        )
        inside = slice(max(math.ceil(begin), 0), max(math.floor(finish), 0) + 1)
        rows.append(
            (
                begin,
                peak,
                float(force[inside].sum()) / sample_rate_hz,
                (finish - begin) / sample_rate_hz,
            )
        )
    return np.array(rows).reshape(-1, 4)


def _peak_n(force: Floats, top: int) -> float:
    """Top of a parabola through the samples near the peak: noise lifts the largest one alone."""
    high = force >= _NEAR_PEAK * force[top]
    left = top - int(np.argmin(np.append(high[: top + 1][::-1], False))) + 1
    right = top + int(np.argmin(np.append(high[top:], False)))
    if right - left < _LEAST_FRAMES:
        return float(force[top])
    at = np.arange(left, right, dtype=np.float64) - top
    c, b, a = np.polynomial.polynomial.polyfit(at, force[left:right], 2)
    middle = -b / (2.0 * a) if a < 0.0 else np.inf
    if not at[0] <= middle <= at[-1]:
        return float(force[top])
    return float(c - b * b / (4.0 * a))


def _flank(rise: Floats, low: float, high: float) -> float:
    """Place where a rise to its last sample begins: what is between two levels, drawn on to 0."""
    under_high = np.flatnonzero(rise < high)
    stop = int(under_high[-1]) + 1 if len(under_high) else 0
    under_low = np.flatnonzero(rise[:stop] < low)
    start = int(under_low[-1]) + 1 if len(under_low) else 0
    if stop - start < 3:  # too steep for the rate: the two samples about the lower level
        start, stop = max(start - 1, 0), min(start + 1, len(rise))
    if stop - start < 2:
        return float(start)
    at = np.arange(start, stop, dtype=np.float64)
    offset, slope = np.polynomial.polynomial.polyfit(at - start, rise[start:stop], 1)
    return float(start - offset / slope) if slope > 0.0 else float(start)
