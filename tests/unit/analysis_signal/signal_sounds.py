"""Sounds with a known onset: strokes made by formula, and recorded ones set at known positions."""

from __future__ import annotations

import functools
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pytest
import scipy.signal
import soundfile

SAMPLES = Path("/usr/share/sonic-pi/samples")
# Listed one by one as CC0 in the copyright file of the Debian package; the first movement is in
# the file, and no sample stands at full scale for long.
RECORDED = (
    "drum_cymbal_closed",
    "drum_cymbal_hard",
    "drum_cymbal_open",
    "drum_snare_hard",
    "drum_tom_hi_soft",
    "drum_tom_lo_hard",
    "drum_tom_lo_soft",
    "drum_tom_mid_hard",
    "drum_tom_mid_soft",
    "drum_cowbell",
    "tabla_na",
    "tabla_te_ne",
    "tabla_tun2",
)
ONE_SHOTS = (
    *(
        f"drum_{drum}"
        for drum in (
            "bass_hard bass_soft cowbell cymbal_closed cymbal_hard cymbal_open cymbal_soft "
            "heavy_kick snare_hard snare_soft splash_hard splash_soft tom_hi_hard tom_hi_soft "
            "tom_lo_hard tom_lo_soft tom_mid_hard tom_mid_soft"
        ).split()
    ),
    *(f"tabla_{hand}" for hand in "na tas1 tas3 te1 te2 te_m te_ne tun2 tun3".split()),
)
"""All recorded strokes that begin in their file with one movement. Left out: the roll; hand drums
cut off at their beginning (first sample above 1 % of the peak); those whose hand touches, lifts or
rolls for 2 to 14 ms before its blow (tabla_dhec, ghe5, ghe7, re, tun1; drum_cymbal_pedal, where one
cymbal is drawn onto the other): what is the stroke in them has no truth."""
MORE_SHOTS = (
    *(f"bd_{drum}" for drum in "808 gas klub pure zome".split()),
    *(
        f"elec_{sound}"
        for sound in (
            "beep blip blip2 bong chime cymbal filt_snare flip fuzz_tom hi_snare lo_snare mid_snare "
            "ping plip snare triangle twip wood"
        ).split()
    ),
    "sn_dolf",
)
"""Drum machines and other struck sounds of the same package, CC0 too: all bd_, elec_, perc_ and sn_
files that begin in their file (first two samples below 0.25 % of the peak, 1 % within 2 ms) and rise
in one movement (from 1 % to half of the peak within 4 ms), 50 ms long at least."""
FITTED = (*sorted(ONE_SHOTS)[::2], *MORE_SHOTS[::2])
"""The half of the sounds from which the constants of analysis/unknown_rise.py are."""
HELD_OUT = (*sorted(ONE_SHOTS)[1::2], *MORE_SHOTS[1::2])
"""The other half, which no constant there has seen."""
NOT_ONE_EDGE = {
    "drum_bass_hard": "recorded too loud: flat tops on 1.3 % of it, each with two corners",
    "drum_heavy_kick": "recorded too loud: flat tops on 2.2 % of it, each with two corners",
    "tabla_te2": "a second blow, 13 dB softer, is to be seen 27 ms after the first",
}
"""Of those, what is more than one edge to the eye: no count of invented strokes is made of them."""
Floats = npt.NDArray[np.float64]


class Pad(NamedTuple):
    """Modes of a pad: the same for all its strokes."""

    hz: Floats
    decay_s: Floats


def any_pad(rng: np.random.Generator) -> Pad:
    """Five modes from 80 to 2000 Hz; the higher, the shorter."""
    hz = np.exp(rng.uniform(np.log(80.0), np.log(2000.0), 5))
    return Pad(hz, rng.uniform(0.01, 0.06, 5) * (200.0 / hz) ** 0.5)


def percussive(
    contact_ms: float,
    rng: np.random.Generator,
    pad: Pad | None = None,
    late_peak: float = 0.0,
    mode_level: float = 0.5,
    power: float = 1.0,
):
    """Sound of a stroke as a function of time (s): contact half-sine plus damped modes.

    Modes are driven by the contact: they have their whole swing at its end only, and those much
    faster than it have little. How much of each depends on the place struck: drawn at random.
    ``power``: 1 for a half-sine, 1.5 about that of an elastic (Hertz) contact. ``late_peak``: level of a swelling low mode with its crest about 10 ms after the onset.
    """
    hz, decay_s = pad or any_pad(rng)
    level = mode_level * rng.uniform(0.2, 1.0, 5) * (80.0 / hz) ** 0.5
    level *= rng.choice([-1.0, 1.0], 5) / (1.0 + (hz * contact_ms * 1e-3) ** 2)
    late_hz = rng.uniform(80.0, 150.0)

    def sound(t_s: Floats) -> Floats:
        t = np.maximum(t_s, 0.0)
        contact_s = contact_ms * 1e-3
        value = np.where(t < contact_s, np.sin(np.pi * np.minimum(t / contact_s, 1.0)), 0.0)
        value = np.maximum(value, 0.0) ** power
        drive = np.sin(0.5 * np.pi * np.minimum(t / contact_s, 1.0)) ** 2
        for f, d, a in zip(hz, decay_s, level, strict=True):
            value = value + a * drive * np.exp(-t / d) * np.sin(2 * np.pi * f * t)
        if late_peak:
            swell = (t / 0.01) ** 2 * np.exp(2 * (1 - t / 0.01))
            value = value + late_peak * swell * np.sin(2 * np.pi * late_hz * t)
        return np.where(t_s > 0, value, 0.0)

    return sound


def onset_of(sound) -> tuple[float, float]:
    """(time in s at which the sound first passes 1 % of its peak, peak), on a 0.2 µs grid."""
    coarse = np.abs(sound(np.arange(0.0, 0.05, 2e-6)))
    peak = float(coarse.max())
    fine = np.arange(0.0, 0.01, 2e-7)
    return float(fine[np.argmax(np.abs(sound(fine)) >= 0.01 * peak)]), peak


def place(onsets_s, sounds, levels, length_s: float, sample_rate_hz: int):
    """Strokes set at times (s) with levels (peak): (samples, true onsets in frames)."""
    out = np.zeros(int(length_s * sample_rate_hz))
    truth = []
    reach = int(0.4 * sample_rate_hz)
    for at_s, sound, level in zip(onsets_s, sounds, levels, strict=True):
        delay_s, peak = onset_of(sound)
        first = int(at_s * sample_rate_hz)
        t = np.arange(first, min(first + reach, len(out))) / sample_rate_hz - at_s
        out[first : first + reach] += level / peak * sound(t)
        truth.append((at_s + delay_s) * sample_rate_hz)
    return out, np.array(truth)


def shifted(samples: Floats, fraction: float, half: int = 48) -> Floats:
    """Delay by a fraction of a sample and ``half``: a sinc under a Kaiser window."""
    n = np.arange(-half, half + 1)
    kernel = np.sinc(n - fraction) * np.kaiser(2 * half + 1, 9.0)
    return np.convolve(samples, kernel)


@functools.cache
def recorded(name: str, length_s: float = 0.4) -> tuple[Floats, int]:
    """One recorded stroke (its beginning, faded out), peak 1, with its sample rate. Skips if not installed."""
    path = SAMPLES / f"{name}.flac"
    if not path.exists():
        pytest.skip("no recorded strokes: Debian package sonic-pi-samples is not installed")
    samples, rate = soundfile.read(path, always_2d=True)
    mono = samples[: int(length_s * rate), 0]
    mono = mono * np.concatenate([np.ones(len(mono) - 2000), np.linspace(1, 0, 2000)])
    return mono / np.abs(mono).max(), rate


def recorded_take(name: str, count: int, gap_s: float, rng: np.random.Generator):
    """One recorded stroke at random fractional positions, at 96 kHz: (samples, true onset frames).

    The truth is where the noise-free sound, interpolated 16 times, first passes 1 % of its peak.
    """
    sound, _ = recorded(name)
    out = np.zeros(int((count * gap_s + 1.0) * 96_000))
    truth = []
    for k in range(count):
        late = shifted(np.concatenate([np.zeros(100), sound]), rng.uniform())
        fast = scipy.signal.resample_poly(late, 320, 147)
        first = int((0.3 + k * gap_s) * 96_000) + int(rng.integers(0, 500))
        out[first : first + len(fast)] += fast
        start = np.argmax(np.abs(fast) > 0.004)
        fine = scipy.signal.resample_poly(fast[max(start - 200, 0) : start + 2500], 16, 1)
        peak = np.abs(fast).max()
        truth.append(first + max(start - 200, 0) + np.argmax(np.abs(fine) >= 0.01 * peak) / 16)
    return out, np.array(truth)


def place_recorded(
    name: str, at_s, levels, length_s: float, rng: np.random.Generator, vary=None, names=None
):
    """One recorded stroke set at times (s) with levels (peak), at 96 kHz: (samples, true frames).

    ``vary``: makes each stroke another one of its kind; ``names``: of each, where they differ.
    """
    rate_hz = 96_000
    out = np.zeros(int(length_s * rate_hz))
    truth = []
    for k, (t_s, level) in enumerate(zip(at_s, levels, strict=True)):
        sound, own_rate_hz = recorded(names[k] if names else name, 0.6)
        if vary is not None:
            sound = vary(sound, own_rate_hz, rng)
        late = shifted(np.concatenate([np.zeros(100), sound]), rng.uniform())
        fast = scipy.signal.resample_poly(late, 320, 147)
        fast *= level / np.abs(fast).max()
        first = int(t_s * rate_hz) + int(rng.integers(0, 50))
        room = out[first : first + len(fast)]
        room += fast[: len(room)]
        begin = max(int(np.argmax(np.abs(fast) > 0.004 * level)) - 200, 0)
        fine = scipy.signal.resample_poly(fast[begin : begin + 2500], 16, 1)
        truth.append(first + begin + np.argmax(np.abs(fine) >= 0.01 * level) / 16)
    return out, np.array(truth)
