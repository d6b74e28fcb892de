"""Hops: the sixths of a millisecond in which onsets are looked for, and what each holds."""

from __future__ import annotations

import dataclasses

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

FAST_RATE_HZ = 24_000
HOP = 4  # fast samples in a hop: about 1/6 ms
HOP_S = HOP / FAST_RATE_HZ


@dataclasses.dataclass(frozen=True)
class Hops:
    """Features of one stretch of samples, one value a hop (arrays of length hops).

    Attributes
    ----------
    mean
        Mean of the signal, hum taken off.
    corner
        (3, hops) Largest magnitude of the second difference, by scale, over its noise rms.
    clipped
        Some sample stands at full scale.
    """

    mean: Floats
    corner: Floats
    clipped: npt.NDArray[np.bool_]


def frames_per_hop(sample_rate_hz: float) -> int:
    """Frames in a hop at a sample rate."""
    return HOP * max(1, round(sample_rate_hz / FAST_RATE_HZ))


def corners(unforeseen: Floats, mean: Floats) -> Floats:
    """Largest magnitude of what is new in each hop, on three scales: (3, hops).

    On the shortest it is what the predictor did not foresee, on the others the second difference
    of means over one hop and over four.
    """
    hops = len(mean)
    out = np.zeros((3, hops))
    out[0] = crests(unforeseen)
    out[1, 1:-1] = np.abs(mean[2:] - 2.0 * mean[1:-1] + mean[:-2])
    pairs = mean[1:] + mean[:-1]
    smooth = 0.25 * (pairs[2:] + pairs[:-2])  # smooth[i]: mean of hops i .. i+3
    if len(smooth) > 2 * HOP:
        wide = np.abs(smooth[2 * HOP :] - 2.0 * smooth[HOP:-HOP] + smooth[: -2 * HOP])
        centre = HOP + HOP // 2
        out[2, centre : centre + len(wide)] = wide
    return out


def crests(fast: Floats) -> Floats:
    """Largest magnitude in each hop of samples at the fast rate: (hops,)."""
    size = np.abs(fast)
    return np.asarray(
        np.maximum(np.maximum(size[0::HOP], size[1::HOP]), np.maximum(size[2::HOP], size[3::HOP]))
    )


def fold(samples: npt.NDArray[np.float32], sample_rate_hz: float) -> tuple[Floats, Floats]:
    """Means of the samples at the fast rate, and of each hop. Length must be whole hops."""
    step = frames_per_hop(sample_rate_hz) // HOP
    fast = samples[0::step].astype(np.float64)
    for k in range(1, step):
        fast += samples[k::step]
    fast /= step
    return fast, 0.25 * (fast[0::4] + fast[1::4] + fast[2::4] + fast[3::4])
