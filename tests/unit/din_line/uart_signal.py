"""A recorded MIDI line, made without the decoder: UART waveform, converter filters, decimation.

The waveform is drawn at a high rate, each level change an area-weighted sample at its exact time,
so that the truth is known to far below a nanosecond; filters are SciPy's own.
"""

from __future__ import annotations

import dataclasses

import numpy as np
from scipy import signal


@dataclasses.dataclass(frozen=True, kw_only=True)
class Recorded:
    """Samples and what was sent."""

    samples: np.ndarray
    values: np.ndarray
    start_frames: np.ndarray


def byte_starts_s(lengths, gaps_s, baud=31_250.0, lead_s=0.003):
    """Start times of bytes sent in messages of given lengths, each after a gap of idle line."""
    byte_s = 10 / baud
    first = lead_s + np.cumsum(gaps_s) + np.concatenate([[0], np.cumsum(lengths)[:-1]]) * byte_s
    return np.concatenate(
        [begin + np.arange(n) * byte_s for begin, n in zip(first, lengths, strict=True)]
    )


def record(
    values,
    starts_s,
    *,
    rate_hz,
    baud=31_250.0,
    snr_db=35.0,
    high_pass_hz=20.0,
    anti_alias="fir",
    swing=0.3,
    inverted=False,
    rise_s=0.0,
    rng=None,
    tail_s=0.004,
):
    """Record bytes (8N1, least significant bit first, idle = mark) as an audio interface would.

    ``snr_db``: half of the line's swing over the noise's standard deviation in the recording.
    """
    rng = rng or np.random.default_rng(1)
    factor = int(np.ceil(700_000 / rate_hz))
    fast_hz = rate_hz * factor
    values = np.asarray(values, dtype=np.int64)
    bits = np.ones((len(values), 11))
    bits[:, 1] = 0
    bits[:, 2:10] = values[:, None] >> np.arange(8) & 1
    change = np.diff(bits, axis=1)
    at_s = starts_s[:, None] + np.arange(10) / baud
    rising = change > 0
    at = (at_s + rising * rise_s)[change != 0] * fast_hz
    step = change[change != 0]
    count = int((starts_s[-1] + 10 / baud + tail_s) * fast_hz) // factor * factor
    # A step at fractional time t, seen by samples that average over one interval around them.
    whole = np.floor(at + 0.5).astype(np.int64)
    share = whole + 0.5 - at
    impulses = np.bincount(whole, weights=step * share, minlength=count)
    impulses += np.bincount(whole + 1, weights=step * (1 - share), minlength=count)[: len(impulses)]
    level = swing * (np.cumsum(impulses[:count]) + 0.5)
    if high_pass_hz:
        b, a = signal.butter(1, high_pass_hz, "high", fs=fast_hz)
        level = signal.lfilter(b, a, level, zi=signal.lfilter_zi(b, a) * level[0])[0]
    edge_hz = min(0.45 * rate_hz, 80_000)
    if anti_alias == "fir":
        taps = signal.firwin(64 * factor + 1, edge_hz * 1.02, window=("kaiser", 8.0), fs=fast_hz)
        padded = np.concatenate(
            [np.full(32 * factor, level[0]), level, np.full(32 * factor, level[-1])]
        )
        samples = signal.upfirdn(taps, padded, 1, factor)[64 : 64 + count // factor]
    else:
        sos = {
            "butterworth": lambda: signal.butter(4, edge_hz * 0.95, fs=fast_hz, output="sos"),
            "elliptic": lambda: signal.ellip(7, 0.1, 80, edge_hz, fs=fast_hz, output="sos"),
        }[anti_alias]()
        samples = signal.sosfilt(sos, level, zi=signal.sosfilt_zi(sos) * level[0])[0][::factor]
    samples = samples + rng.normal(0, swing / 2 / 10 ** (snr_db / 20), len(samples))
    return Recorded(
        samples=(-samples if inverted else samples).astype(np.float32),
        values=values,
        start_frames=starts_s * rate_hz,
    )


def random_line(count, *, baud, rng, longest=6):
    """Random bytes in messages of 1 to ``longest`` bytes, some back to back, some apart."""
    lengths = []
    while sum(lengths) < count:
        lengths.append(int(rng.integers(1, longest + 1)))
    lengths[-1] -= sum(lengths) - count
    gaps_s = rng.choice([0, 1e-5, 0.2e-3, 1e-3, 3e-3], len(lengths)) * rng.uniform(
        0.5, 1.5, len(lengths)
    )
    return rng.integers(0, 256, count), byte_starts_s(lengths, gaps_s, baud)
