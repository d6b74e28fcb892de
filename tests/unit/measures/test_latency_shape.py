"""What the median of latencies hides is said, and nothing where it hides nothing."""

import math

import numpy as np
import pytest

from analysis.latency_shape import shape_note, two_groups

LAWS = {
    "normal": lambda rng, n: rng.normal(4.0, 0.3, n),
    "even": lambda rng, n: rng.uniform(3.0, 4.0, n),
    "skew": lambda rng, n: 3.0 + rng.exponential(0.3, n),
}


@pytest.mark.parametrize("law", LAWS)
def test_one_group_is_rarely_called_two(law: str) -> None:
    """A hump, a turn of a main loop, or one with a long tail: at most 1 in 100 is parted."""
    rng = np.random.default_rng(31)
    parted = [two_groups(LAWS[law](rng, n)) is not None for n in (40, 100, 400) for _ in range(100)]
    assert np.mean(parted) <= 0.01


@pytest.mark.parametrize("share", [0.2, 0.5])
def test_two_groups_are_seen_and_told(share: float) -> None:
    """A module that sometimes takes 2 ms more is seen, its groups near what they are."""
    rng = np.random.default_rng(32)
    late = rng.random(200) < share
    values = np.where(late, 6.0, 4.0) + rng.uniform(-0.4, 0.4, 200)
    groups = two_groups(values)
    assert groups is not None
    assert groups[1].size == late.sum()
    assert np.median(groups[0]) == pytest.approx(4.0, abs=0.15)
    assert np.median(groups[1]) == pytest.approx(6.0, abs=0.15)
    assert f"{late.sum()} near" in shape_note(values)


def test_a_wide_spread_is_told_and_a_narrow_one_is_not() -> None:
    """Turns of 8 ms are told; of 1 ms, too few latencies, none or unknown ones are not."""
    rng = np.random.default_rng(33)
    assert "spread widely" in shape_note(3.0 + rng.uniform(0.0, 8.0, 200))
    for values in (3.0 + rng.uniform(0.0, 1.0, 200), np.array([2.0, 9.0]), np.full(90, math.nan)):
        assert shape_note(values) == ""
    assert shape_note(np.full(60, 4.0)) == ""
