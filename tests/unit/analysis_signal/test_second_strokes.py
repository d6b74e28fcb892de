"""Second strokes of recorded drums, 4 to 20 ms after a first, without a plan.

Sounds, truth and noise as in test_recorded_onsets.py, 60 dB above the noise. A take holds some lone
strokes and one pair of each gap, in any order. All strokes of a file are copies of one another but
for their level and place; so that no more is learnt from that than real strokes would tell, they are
varied too: each goes through a filter of its own, random over 1 ms (or over 30 ms, as modes struck
elsewhere would be), and decays in a time of its own. The constants are from ``FITTED`` sounds.
"""

from __future__ import annotations

import numpy as np
import pytest
from signal_sounds import HELD_OUT, NOT_ONE_EDGE, ONE_SHOTS, place_recorded

from analysis.onset import OnsetFinder

RATE_HZ = 96_000
NOISE_RMS = 3e-4
GAPS_MS = (4, 6, 8, 10, 15, 20)
NEAR_S = 0.001
ACOUSTIC = [one for one in sorted(HELD_OUT) if one in ONE_SHOTS and one not in NOT_ONE_EDGE]
FEW = ["drum_cymbal_open", "drum_tom_mid_soft", "tabla_tas1"]


def another(sound, rate_hz, rng, unlike, decay, span_s=0.001):
    """Another stroke of the same kind.

    ``unlike`` of its amplitude is filtered at random over ``span_s``; its decay time differs by
    ``decay`` (both rms).
    """
    count = int(span_s * rate_hz)
    taps = rng.normal(size=count) * np.exp(-4.0 * np.arange(count) / count)
    other = np.convolve(sound, taps)[: len(sound)]
    sound = sound + unlike * other * np.sqrt(np.sum(sound**2) / np.sum(other**2))
    power = np.cumsum(sound**2)
    decay_s = float(np.searchsorted(power, 0.9 * power[-1])) / rate_hz + 1e-3
    return sound * np.exp(-rng.normal() * decay * np.arange(len(sound)) / rate_hz / decay_s)


def heard(name, levels, at_s, vary, rng, names=None):
    """(onsets, finder, true onsets in s) of a take."""
    samples, truth = place_recorded(name, at_s, levels, max(at_s) + 0.7, rng, vary, names)
    finder = OnsetFinder(RATE_HZ, contact=False)
    finder.feed(samples + rng.normal(0, NOISE_RMS, len(samples)))
    return finder.finish(), finder, truth / RATE_HZ


def pairs(name, level_db, vary, lone=4):
    """The same of lone strokes and a pair of each gap; also which strokes are second."""
    rng = np.random.default_rng(sum(map(ord, name)))
    at_s, levels, second = [], [], []
    for k, gap_ms in enumerate(rng.permutation([0] * lone + list(GAPS_MS))):
        at_s.append(0.4 + 0.8 * k)
        levels.append(0.3 * 10 ** (-rng.uniform(0, 3) / 20))
        second.append(False)
        if gap_ms:
            at_s.append(at_s[-1] + 1e-3 * gap_ms)
            levels.append(levels[-1] * 10 ** (level_db / 20))
            second.append(True)
    return *heard(name, levels, at_s, vary, rng), np.array(second)


def compared(onsets, true_s):
    """(missed strokes, invented count, place of the nearest onset to each stroke)."""
    away_s = np.abs(onsets.frame[:, None] / RATE_HZ - true_s)
    missed = away_s.min(axis=0) > NEAR_S
    return missed, int((away_s.min(axis=1) > NEAR_S).sum()), away_s.argmin(axis=0)


@pytest.mark.parametrize("level_db", [0, -12])
@pytest.mark.parametrize("name", FEW[:2])
def test_second_strokes_are_found(name, level_db):
    """None missed, none invented."""
    onsets, finder, true_s, _ = pairs(name, level_db, None)
    missed, invented, _ = compared(onsets, true_s)
    assert not missed.any()
    assert invented == 0
    assert finder.seconds is not None
    assert finder.seconds.untold == 0
