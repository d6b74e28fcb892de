"""Where each stroke starts, below one sample, given its place to about a millisecond."""

from __future__ import annotations

import dataclasses

import numpy as np
import numpy.typing as npt

from analysis.rise import AHEAD, fit_rise

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

ONSET_SHARE = 0.01
"""The onset is where the sound passes this share of its peak."""
LEVEL_SHARE = 0.012
"""The rise is fitted up to this share of the peak, where the noise allows."""
LEVEL_NOISE = 6.0
"""... and at least up to so many times the rms of the noise."""
PEAK_SEARCH_S = 0.05
BACK_S = 0.0012
"""A corner shows up to so long before its hop ..."""
FORE_S = 0.0004
"""... and surely so long before it nothing of the stroke is there yet, on the finest scale."""
WINDOW_S = 0.0027
RINGING_WINDOW_S = 0.0009
AVERAGES = (1, 4, 16)
"""Samples averaged for slow rises, tried in turn."""


@dataclasses.dataclass(frozen=True)
class Starts:
    """Starts of strokes (arrays of length n), in frames of the stretch looked at."""

    frame: Floats
    u_frames: Floats
    peak: Floats
    peak_frame: Floats


def find_starts(
    samples: npt.NDArray[np.float32],
    coarse: Ints,
    drone: Floats,
    frames_per_hop: int,
    noise_rms: float,
    sample_rate_hz: float,
) -> Starts:
    """Find the start of each stroke.

    Parameters
    ----------
    samples
        (frames,) one channel.
    coarse
        (n,) frames at which strokes begin, to about a millisecond.
    drone
        Hum and offset at the middle of each hop of ``frames_per_hop`` frames, to be taken off.
    noise_rms
        Rms of the noise.
    sample_rate_hz
        Rate.

    Returns
    -------
    Starts
        u_frames without any floor.
    """
    n = len(coarse)
    at, u = np.zeros(n), np.zeros(n)
    peak, peak_frame = np.zeros(n), np.zeros(n)
    if n == 0:
        return Starts(at, u, peak, peak_frame)
    second = sample_rate_hz
    window = int(WINDOW_S * second) // 4 * 4
    short = int(RINGING_WINDOW_S * second) // 4 * 4
    back, fore = round(BACK_S * second), round(FORE_S * second)
    pad = AVERAGES[-1] * window + back
    reach = int(PEAK_SEARCH_S * second)
    stops = np.minimum(np.append(coarse[1:] - fore, 2**60), coarse + reach)
    clean = _Clean(samples, drone, frames_per_hop)
    level, threshold = np.zeros(n), np.zeros(n)
    ends = np.zeros(n, dtype=np.int64)
    ringing = np.zeros(n, dtype=bool)
    rows = np.zeros((n, window))
    for k in range(n):
        first = int(coarse[k])
        near = clean.part(first - back - window, max(int(stops[k]), first + 2 * fore))
        lead = back + window  # near[lead] is the coarse frame
        size = np.abs(near[lead - fore :])
        top = int(size.argmax())
        peak[k], peak_frame[k] = size[top], first - fore + top
        quiet = near[lead - back - window // 2 : lead - back]
        ringing[k] = np.abs(quiet).max() > 6.0 * noise_rms
        if ringing[k]:
            begin = lead - fore
            stem = near[begin - fore : begin]
            slope, base = np.polyfit(np.arange(-fore, 0), stem, 1)
            rise = near[begin:] - (base + slope * np.arange(len(near) - begin))
            rise = rise[: 6 * fore]
            height = float(np.abs(rise[: 6 * fore]).max())
            level[k] = max(LEVEL_SHARE * height, LEVEL_NOISE * noise_rms, 0.05 * height)
        else:
            begin = lead - back
            rise = near[begin:]
            height = peak[k]
            level[k] = max(LEVEL_SHARE * height, LEVEL_NOISE * noise_rms)
        level[k] = min(level[k], 0.6 * height)
        threshold[k] = ONSET_SHARE * height
        end = begin + int(np.argmax(np.abs(rise) >= level[k]))
        ends[k] = first - lead + end
        rows[k] = near[end + AHEAD + 1 - window : end + AHEAD + 1]
    noise = np.full(n, noise_rms)
    calm = np.flatnonzero(~ringing)
    slow = np.zeros(n, dtype=bool)
    origin = (ends + AHEAD + 1).astype(np.float64)
    if len(calm):
        fit, u[calm], slow[calm] = fit_rise(
            rows[calm], threshold[calm], level[calm], noise[calm], -1
        )
        at[calm] = origin[calm] - window + fit
    loud = np.flatnonzero(ringing)
    if len(loud):
        fit, u[loud], _ = fit_rise(
            rows[loud][:, -short:], threshold[loud], level[loud], noise[loud], 2
        )
        at[loud] = origin[loud] - short + fit
    for average in AVERAGES[1:]:
        again = np.flatnonzero(slow)
        if not len(again):
            break
        stop = ends[again] + average * (AHEAD + 1)
        wide = np.stack(
            [
                clean.part(int(s) - average * window, int(s)).reshape(-1, average).mean(axis=1)
                for s in stop
            ]
        )
        fit, spread, still = fit_rise(
            wide, threshold[again], level[again], noise[again] / np.sqrt(average), -1
        )
        # the mean of a group of samples stands for the group's middle
        at[again] = stop - average * window + fit * average + 0.5 * (average - 1)
        u[again] = spread * average
        slow[again] = still
    return Starts(at, u, peak, peak_frame)


class _Clean:
    """Stretches of the samples without hum; silence outside of them."""

    def __init__(
        self, samples: npt.NDArray[np.float32], drone: Floats, frames_per_hop: int
    ) -> None:
        self._samples, self._drone = samples, drone
        self._middle = (np.arange(len(drone)) + 0.5) * frames_per_hop - 0.5
        self._flat = bool(np.ptp(drone) == 0) if len(drone) else True

    def part(self, first: int, stop: int) -> Floats:
        """Frames first to stop."""
        out = np.zeros(stop - first)
        start, end = max(first, 0), min(stop, len(self._samples))
        if end > start:
            hum = (
                self._drone[0]
                if self._flat
                else np.interp(np.arange(start, end), self._middle, self._drone)
            )
            out[start - first : end - first] = self._samples[start:end] - hum
        return out
