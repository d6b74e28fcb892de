"""Allan deviation against NIST SP 1065 (Riley), pages 107 and 108, and allantools as a peer."""

from __future__ import annotations

import allantools
import numpy as np
import pytest

from analysis.allan import allan_deviation, allan_of_times, time_deviation

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


def events(rates, step_s=1.0):
    """Times and offsets of evenly spaced events of a clock with these rates."""
    offsets = np.concatenate([[0.0], np.cumsum(rates)]) * step_s
    return np.arange(len(offsets)) * step_s, offsets


@pytest.mark.parametrize("step_s", [1.0, 0.05])
def test_from_events_as_in_the_tables(step_s):
    """SP 1065 pp. 107 and 108: OADEV and TDEV of both sets, at any spacing.

    TDEV: 52.67135, 86.35831 and 0.1687202, 0.3563623, 1.253382, in units of the spacing.
    """
    for rates, averages, oadev, tdev in (
        (NBS14, [1, 2], [91.22945, 85.95287], [52.67135, 86.35831]),
        (
            thousand(),
            [1, 10, 100],
            [0.2922319, 0.09159953, 0.03241343],
            [0.1687202, 0.3563623, 1.253382],
        ),
    ):
        at_s, off_s = events(rates, step_s)
        tau_s = np.array(averages) * step_s
        assert allan_of_times(at_s, off_s, tau_s).value == pytest.approx(oadev, rel=1e-6)
        found = time_deviation(at_s, off_s, tau_s)
        assert found.value == pytest.approx(np.array(tdev) * step_s, rel=1e-6)


def test_events_as_allantools_has_them():
    """Peer: allantools.oadev and tdev on the same offsets."""
    off_s = np.cumsum(np.random.default_rng(2).normal(0, 1e-7, 400))
    at_s, taus = np.arange(400) * 0.5, [0.5, 1.5, 5.0, 20.0]
    _, allan, _, _ = allantools.oadev(off_s, rate=2.0, data_type="phase", taus=taus)
    _, time, _, _ = allantools.tdev(off_s, rate=2.0, data_type="phase", taus=taus)
    assert allan_of_times(at_s, off_s, taus).value == pytest.approx(allan, rel=1e-9)
    assert time_deviation(at_s, off_s, taus).value == pytest.approx(time, rel=1e-9)


def test_uneven_events_with_white_noise_are_as_foretold():
    """White phase noise: sqrt(3) sd / tau (SP 1065, table of power laws), uneven events too."""
    rng = np.random.default_rng(3)
    at_s = np.cumsum(rng.choice([0.05, 0.1, 0.25, 1.3], 20_000))
    off_s = rng.normal(0, 2e-7, len(at_s))
    found = allan_of_times(at_s, off_s, 2.0 ** np.arange(1, 8))
    assert found.value == pytest.approx(2e-7 * found.white, rel=0.03)
    assert found.value == pytest.approx(np.sqrt(3) * 2e-7 / found.tau_s, rel=0.05)
    means = time_deviation(at_s, off_s, [1.0, 8.0, 64.0])
    assert means.value == pytest.approx(2e-7 * means.white, rel=0.1)


def test_no_events_give_nan():
    """Nothing, one event, and times too long for what there is."""
    for at_s in ([], [1.0], [1.0, 2.0, 3.0]):
        for deviation in (allan_of_times, time_deviation):
            found = deviation(at_s, np.zeros(len(at_s)), [50.0])
            assert np.isnan(found.value).all()
            assert found.count.tolist() == [0]
    with pytest.raises(ValueError, match="offsets"):
        allan_of_times([1.0], [], [1.0])
