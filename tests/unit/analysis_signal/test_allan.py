"""Allan deviation against NIST SP 1065 (Riley), pages 107 and 108, and allantools as a peer."""

from __future__ import annotations

import allantools
import numpy as np
import pytest

from analysis.allan import allan_deviation

NBS14 = [892, 809, 823, 798, 671, 644, 883, 903, 677]


def thousand():
    """The 1000-point set of SP 1065: n(i+1) = 16807 n mod 2147483647."""
    n, out = 1234567890, []
    for _ in range(1000):
        out.append(n / 2147483647)
        n = 16807 * n % 2147483647
    return np.array(out)


def test_ten_point_set():
    """SP 1065 p. 107: ADEV 91.22945, 115.8082; OADEV 91.22945, 85.95287."""
    assert allan_deviation(NBS14, [1, 2], False) == pytest.approx([91.22945, 115.8082], rel=1e-6)
    assert allan_deviation(NBS14, [1, 2]) == pytest.approx([91.22945, 85.95287], rel=1e-6)


def test_thousand_point_set():
    """SP 1065 p. 108, averages of 1, 10 and 100."""
    y = thousand()
    assert allan_deviation(y, [1, 10, 100], False) == pytest.approx(
        [0.2922319, 0.09965736, 0.03897804], rel=1e-6
    )
    assert allan_deviation(y, [1, 10, 100]) == pytest.approx(
        [0.2922319, 0.09159953, 0.03241343], rel=1e-6
    )


def test_as_allantools_has_it():
    """Peer: allantools.oadev on the same rates."""
    y = np.random.default_rng(1).normal(size=500)
    taus, theirs, _, _ = allantools.oadev(y, rate=1.0, data_type="freq", taus=[1, 3, 7, 20])
    assert allan_deviation(y, taus.astype(int)) == pytest.approx(theirs, rel=1e-9)


def test_too_few_or_nan_give_nan_and_bad_averages_are_refused():
    """Nothing is made up from nothing."""
    assert np.isnan(allan_deviation([1.0], [1])).all()
    assert np.isnan(allan_deviation([1.0, np.nan, 2.0, 3.0], [1])).all()
    with pytest.raises(ValueError, match="at least 1"):
        allan_deviation([1.0, 2.0], [0])
