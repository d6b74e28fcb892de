"""Where a chance is reached for good: monotone shares, dips, plateaus and coverage."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import expit, logit

from analysis.crossing import critical, crossing


def test_critical_values_are_those_of_the_published_table():
    """1.58345, 2.26916 and 3.83630 at 90, 95, 99 % (Banerjee and Wellner 2001, from memory)."""
    assert [critical(p) for p in (0.9, 0.95, 0.99)] == pytest.approx([1.58345, 2.26916, 3.83630])
    assert critical(0.999) > critical(0.99)


@pytest.mark.parametrize("chance", [0.5, 0.95])
def test_interval_covers_as_promised(chance):
    """300 smooth rises: coverage of 95 % within 3 binomial standard errors."""
    rng = np.random.default_rng(3)
    truth, held = logit(chance) / 20, 0
    for _ in range(300):
        x = rng.uniform(-1, 1, 600)
        found = crossing(x, rng.random(600) < expit(20 * x), chance).interval
        held += not (found.low > truth or found.high < truth)
    assert abs(held / 300 - 0.95) < 3 * math.sqrt(0.95 * 0.05 / 300)


def test_a_proven_dip_moves_the_answer_beyond_it():
    """Hits from 10 on, lost again from 14 to 15: reached for good at 15, not at 10."""
    x = np.arange(5, 25, 0.05)
    found = crossing(x, (x >= 10) & ~((x > 14) & (x < 15)), 0.95)
    assert found.interval.value == pytest.approx(15, abs=0.06)
    assert found.interval.low > 10
    assert crossing(x, x >= 10, 0.95).interval.value == pytest.approx(10, abs=0.06)


def test_what_cannot_be_told_is_nan():
    """Nothing and NaN: None. All hits: at most the lowest x. A plateau at 0.9: no value."""
    assert crossing([], [], 0.95) is None
    assert crossing([math.nan], [1.0], 0.95) is None
    all_hit = crossing(np.arange(100.0), np.ones(100), 0.95)
    assert all_hit.from_lowest
    assert math.isnan(all_hit.interval.low)
    x = np.arange(400)
    plateau = crossing(x, (x > 200) & (x % 10 != 3), 0.95)
    assert plateau.never
    assert math.isnan(plateau.interval.value)
    assert math.isnan(plateau.interval.high)
