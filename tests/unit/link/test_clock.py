"""Clock exchanges against RFC 5905, section 8, and their bounds against delays that are known."""

from __future__ import annotations

import numpy as np
import pytest

from rig.clock import CRYSTAL_PPM, HostClock, offset_and_delay
from rig.record.limits import TICKS_PER_S


def test_offset_and_delay_of_the_worked_example() -> None:
    """RFC 5905, section 8 (formula; example worked by hand): offset 0.500 s, delay 0.040 s."""
    offset, delay = offset_and_delay(100.000, 100.520, 100.521, 100.041)
    assert offset == pytest.approx(0.500, abs=1e-9)
    assert delay == pytest.approx(0.040, abs=1e-9)


def test_nan_stays_nan() -> None:
    """An exchange with a time missing gives no number."""
    assert np.isnan(offset_and_delay(np.nan, 1, 2, 3)).all()


@pytest.mark.parametrize("seed", range(20))
def test_bound_holds_for_any_share_of_the_delay(seed: int) -> None:
    """However the round trip is shared between the two ways, truth lies within the bound.

    RFC 5905: the error of the offset is at most half the delay.
    """
    rng = np.random.default_rng(seed)
    clock = HostClock()
    true_offset_s = rng.uniform(-50, 50)
    for at_s in np.cumsum(rng.uniform(0.01, 0.5, 30)):
        there_s, back_s = rng.exponential(2e-3, 2)
        received = round((at_s + there_s + true_offset_s) * TICKS_PER_S)
        pair = clock.add(at_s, received, received + 40, at_s + there_s + 20e-6 + back_s)
        truth_s = pair.host_s + true_offset_s
        assert abs(pair.ticks / TICKS_PER_S - truth_s) <= pair.bound_s + 1e-6
        assert pair.bound_s >= (there_s + back_s) / 2 - 1e-6
        now_s = at_s + 0.2
        error_s = abs(clock.ticks_at(now_s) / TICKS_PER_S - (now_s + true_offset_s))
        assert error_s <= clock.bound_at(clock.best_pair(now_s), now_s) + 1e-6
    assert clock.disagreement_s() == 0.0


def test_lowest_delay_counts() -> None:
    """Of a slow and a quick exchange the quick one is used."""
    clock = HostClock()
    clock.add(0.0, 1000, 1000, 0.020)
    quick = clock.add(0.1, 220_000, 220_000, 0.101)
    clock.add(0.2, 440_000, 440_000, 0.230)
    assert clock.best_pair(0.23) is quick


def test_old_exchange_loses_to_a_newer_one() -> None:
    """Crystals drift: after a while a quick exchange is worth less than a fresh, slower one."""
    clock = HostClock()
    clock.add(0.0, 0, 0, 0.001)
    fresh = clock.add(100.0, 200_000_000, 200_000_000, 100.004)
    assert clock.best_pair(100.004) is fresh
    # 20 ppm for 600 s are 12 ms (arithmetic): the allowance covers common crystals
    assert CRYSTAL_PPM >= 2 * 20


def test_jump_of_a_clock_is_seen() -> None:
    """A board whose clock lost 10 ms contradicts its earlier exchanges."""
    clock = HostClock()
    clock.add(0.0, 2000, 2000, 0.001)
    clock.add(1.0, 2_002_000 - 20_000, 2_002_000 - 20_000, 1.001)
    assert clock.disagreement_s() == pytest.approx(0.009, abs=1.5e-3)
