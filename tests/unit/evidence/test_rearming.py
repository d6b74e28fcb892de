"""The dead time that covers strokes to come, against strokes that the analysis never saw."""

import math

import numpy as np
import pytest
from scipy import stats
from test_choices import ONSET, RATE_HZ, made, silence

from analysis import choices, rearming
from analysis.detector import Envelopes
from analysis.sensor import Noise


def dead_ms(strokes: Envelopes, noise: Noise, release_ms: float = 20.0) -> float:
    """Dead time for a threshold of 1 % and a window of 1.5 ms."""
    return rearming.rises(strokes, noise, 1.0, 1.5, 0.0).least_dead_ms(release_ms)


def without_force(strokes: Envelopes) -> Envelopes:
    """The same strokes, not known which are alike."""
    return Envelopes(
        level=strokes.level, rate_hz=RATE_HZ, onset=ONSET, force_n=np.full(len(strokes), math.nan)
    )


@pytest.mark.parametrize("known", [True, False], ids=["forces known", "not known"])
def test_strokes_to_come_do_not_double(known: bool) -> None:
    """Of 30 runs of as many fresh strokes, with a module's noise on top, at most 3 hold a double.

    The largest of the strokes heard, without more, leaves doubles in about half of them or more:
    two samples of one law exceed each other alike often.
    """
    rng = np.random.default_rng(21)
    heard, forces = 4e-4, (1.2, 4, 12, 30)
    covered, sampled = [], []
    for _ in range(30):
        strokes = made(rng, forces=forces, late=0.7, each=12, noise_rms=heard)
        to_come = made(rng, forces=forces, late=0.7, each=12, noise_rms=1.25 * heard)
        needed = choices.recovery_times_ms(to_come, 1.0, 1.5, 20.0, 0.0).max()
        largest = choices.recovery_times_ms(strokes, 1.0, 1.5, 20.0, 0.0).max()
        covering = dead_ms(strokes if known else without_force(strokes), silence(heard))
        covered.append(needed <= covering)
        sampled.append(needed <= largest)
    assert np.mean(covered) >= 0.9
    assert np.mean(sampled) < 0.6


def test_it_is_the_limit_of_a_known_law() -> None:
    """One late instant, normal over the strokes: the dead time is that of Student's quantile.

    A level of ratio m and standard deviation s to the peak passes exp(-(t - d) / R) in one of ten
    such runs where d = t + R ln(m + q s sqrt(1 + 1 / n)), with q Student's quantile of a chance of
    0.1 / n: the prediction limit for one further value (ISO 16269-8, from memory), n times.
    """
    rng = np.random.default_rng(22)
    count, at_ms, release_ms = 40, 12.0, 20.0
    level = np.zeros((count, 1000), dtype=np.float32)
    level[:, ONSET : ONSET + 4] = 0.8
    late = ONSET + round(at_ms * RATE_HZ / 1e3)
    ratio = 0.6 + 0.03 * rng.standard_normal(count)
    level[:, late] = 0.8 * ratio
    strokes = Envelopes(level=level, rate_hz=RATE_HZ, onset=ONSET, force_n=np.full(count, 10.0))
    deviation = ratio.std(ddof=1) * math.sqrt(1.0 + 1.0 / count)
    limit = ratio.mean() + stats.t.isf(0.1 / count, count - 1) * deviation
    expected_ms = at_ms + release_ms * math.log(limit)
    assert dead_ms(strokes, silence(1e-9), release_ms) == pytest.approx(expected_ms, abs=0.05)


def test_more_noise_and_fewer_strokes_lengthen_it() -> None:
    """The less is known of the strokes, the longer; without noise and spread, not at all."""
    strokes = made(np.random.default_rng(23), late=0.7, each=20)
    by_noise = [dead_ms(strokes, silence(rms)) for rms in (1e-6, 4e-4, 2e-3)]
    assert by_noise == sorted(by_noise)
    assert by_noise[2] > by_noise[0]
    calm = made(np.random.default_rng(24), late=0.7, each=20, noise_rms=0.0)
    largest = choices.recovery_times_ms(calm, 1.0, 1.5, 20.0, 0.0).max()
    assert dead_ms(calm, silence(1e-9)) == pytest.approx(largest, abs=0.06)


def test_nothing_that_triggers_needs_no_dead_time() -> None:
    """Strokes below the threshold, and a sound that ends in the window, give 0."""
    strokes = made(np.random.default_rng(25))
    deaf = rearming.rises(strokes, silence(), 150.0, 1.5, 0.0)
    assert deaf.least_dead_ms(20.0) == 0.0
    level = np.zeros((12, 600), dtype=np.float32)
    level[:, ONSET : ONSET + 10] = 0.5
    short = Envelopes(level=level, rate_hz=RATE_HZ, onset=ONSET, force_n=np.full(12, 8.0))
    assert dead_ms(short, silence(1e-9)) == 0.0
