"""Onsets of soft strokes, alone and on what an earlier hard stroke leaves or still rings with.

The truth is by definition: where the noise-free sound first passes 1 % of its peak. The bounds for
the stated uncertainty (93 to 97 % at 95 %) and for strong strokes (20 us, 25 us) are those demanded
of the analysis.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from signal_sounds import any_pad, percussive, place

from analysis.onset import find_onsets

RATE_HZ = 96_000
SOFT, HARDER, GAP_S = 0.02, 15.0, 0.3


def soft_strokes(rng, contact_ms, power, snr_db, tail, hum, pairs=8):
    """(errors, stated u; s) of soft strokes ``snr_db`` above the noise, after hard ones if ``tail``."""
    pad = any_pad(rng)
    count = 2 * pairs if tail else pairs
    level = np.tile([SOFT * HARDER, SOFT], pairs) if tail else np.full(count, SOFT)
    at_s = 0.3 + np.arange(count) * GAP_S + rng.uniform(0, 0.02, count)
    sounds = [percussive(contact_ms, rng, pad, power=power) for _ in level]
    samples, truth = place(at_s, sounds, level, 0.6 + count * GAP_S, RATE_HZ)
    noise_rms = SOFT * 10 ** (-snr_db / 20)
    samples += rng.normal(0, noise_rms, len(samples))
    if hum:
        t = np.arange(len(samples)) / RATE_HZ * 2 * np.pi * (50 + rng.uniform(-0.07, 0.07))
        samples += noise_rms * (10 * np.sin(t) + 3 * np.cos(3 * t))
    onsets = find_onsets(samples, 0, RATE_HZ)
    nearest = np.abs(onsets.frame[:, None] - truth).argmin(axis=0)
    soft = level == SOFT
    error_s = (onsets.frame[nearest] - truth)[soft] / RATE_HZ
    return error_s, onsets.u_frames[nearest][soft] / RATE_HZ


def over(cells, seed, takes=1):
    """The same over many cells: (errors, u; s)."""
    out = [
        soft_strokes(np.random.default_rng([seed, number, take]), *cell)
        for number, cell in enumerate(cells)
        for take in range(takes)
    ]
    return np.concatenate([e for e, _ in out]), np.concatenate([u for _, u in out])


def test_a_blunt_stroke_on_a_weak_tail_is_timed_by_its_foot():
    """3 to 5 ms of contact, 30 to 40 dB above the noise: covered, and never far off unsaid."""
    cells = itertools.product((3.0, 5.0), (1.0, 1.5, 2.0), (30, 35, 40), (True,), (False,))
    error_s, u_s = over(cells, 1)
    # 144 strokes: 95 % of them, and three standard deviations of chance
    assert np.mean(np.abs(error_s) <= 1.96 * u_s) >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / len(u_s))
    assert np.mean((np.abs(error_s) > 0.5e-3) & (u_s < 0.2e-3)) < 1e-3
    assert np.median(u_s) < 50e-6


@pytest.mark.long
@pytest.mark.parametrize("tail", [False, True])
def test_soft_strokes_of_every_contact_are_covered(tail):
    """1 to 5 ms, half-sine to its square, 26 to 50 dB above the noise, with hum and without."""
    contacts, powers, snr_db = (1.0, 2.0, 3.0, 4.0, 5.0), (1.0, 1.5, 2.0), (26, 30, 35, 40, 45)
    hum = (False, True)
    error_s, u_s = over(itertools.product(contacts, powers, snr_db, (tail,), hum), 2, takes=4)
    assert 0.93 <= np.mean(np.abs(error_s) <= 1.96 * u_s) <= 0.97
    # measured: 2 in 1,000 beyond 4 u with a tail; one stroke in some thousands lies far off
    assert np.mean(np.abs(error_s) > 4 * u_s) < 3e-3
    assert np.mean((np.abs(error_s) > 0.5e-3) & (u_s < 0.2e-3)) < 1e-3


@pytest.mark.long
def test_soft_strokes_50_db_above_the_noise():
    """The same contacts at 50 dB: bias at most 20 us, sd at most 25 us."""
    cells = itertools.product((1.0, 3.0, 5.0), (1.0, 1.5, 2.0), (50,), (False, True), (False, True))
    error_s, _ = over(cells, 3, takes=4)
    assert abs(error_s.mean()) <= 20e-6
    assert error_s.std() <= 25e-6


HARDER_DB, GAPS_MS = (10, 20, 30), (30, 50, 70, 100)
CONTACTS = ((1.0, 1.0), (2.0, 1.5), (4.0, 1.0), (4.0, 2.0))


def on_ringing_tails(rng, harder_db, gap_ms, contact, pairs=9):
    """(errors, u; s) of soft strokes so soon after so much harder ones, where a plan expects them.

    26 to 46 dB above the noise; what has no onset within 4 ms is missed and left out.
    """
    pad, (contact_ms, power) = any_pad(rng), contact
    at_s = np.repeat(0.3 + np.arange(pairs) * (0.35 + 1e-3 * gap_ms), 2)
    at_s[1::2] += 1e-3 * (gap_ms + rng.uniform(-2.0, 2.0, pairs))
    level = np.tile([SOFT * 10 ** (harder_db / 20), SOFT], pairs)
    sounds = [percussive(contact_ms, rng, pad, power=power) for _ in level]
    samples, truth = place(at_s, sounds, level, at_s[-1] + 0.6, RATE_HZ)
    samples += rng.normal(0, SOFT * 10 ** (-rng.uniform(26, 46) / 20), len(samples))
    onsets = find_onsets(samples, 0, RATE_HZ, truth + rng.normal(0, 14, len(truth)))
    nearest = np.abs(onsets.frame[:, None] - truth[1::2]).argmin(axis=0)
    error_s = (onsets.frame[nearest] - truth[1::2]) / RATE_HZ
    found = np.abs(error_s) < 0.004
    return error_s[found], onsets.u_frames[nearest][found] / RATE_HZ


@pytest.mark.long
def test_soft_strokes_on_ringing_tails_are_covered():
    """10 to 30 dB softer, 30 to 100 ms later, four contacts, 108 strokes of each: 93 to 97 %.

    At least 90 % for each level and gap, and for each contact: three standard deviations of chance
    (432 strokes, of which nine share a pad and a level).
    """
    cells = itertools.product(HARDER_DB, GAPS_MS)
    inside = {}
    for harder_db, gap_ms in cells:
        for k, contact in enumerate(CONTACTS * 12):
            rng = np.random.default_rng([4, harder_db, gap_ms, k])
            error_s, u_s = on_ringing_tails(rng, harder_db, gap_ms, contact)
            for cell in ((harder_db, gap_ms), contact):
                inside.setdefault(cell, []).append(np.abs(error_s) <= 1.96 * u_s)
    pooled = np.concatenate([some for cell in CONTACTS for some in inside[cell]])
    shares = {cell: np.concatenate(some).mean() for cell, some in inside.items()}
    print(f"{pooled.mean():.3f} of {len(pooled)};", shares)
    assert 0.93 <= pooled.mean() <= 0.97
    assert min(shares.values()) >= 0.90
