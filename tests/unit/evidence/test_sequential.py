"""The sequential test against a published plan and drawn sequences."""

import numpy as np
import pytest

from analysis.sequential import SequentialTest, SequentialTestError


def test_lines_are_the_handbooks() -> None:
    """NIST e-Handbook 6.2.6 (from memory): 0.01/0.10 at 5 and 10 % is 0.0397, -0.939, 1.205."""
    slope, accept, reject = SequentialTest(good=0.01, bad=0.10, false_alarm=0.05, miss=0.10).lines
    assert slope == pytest.approx(0.0397, abs=5e-4)
    assert accept == pytest.approx(-0.939, abs=5e-4)
    assert reject == pytest.approx(1.205, abs=5e-4)


@pytest.mark.parametrize(("good", "bad"), [(0.005, 0.02), (0.01, 0.10), (0.2, 0.4)])
def test_error_rates_hold(good: float, bad: float) -> None:
    """Each risk stays below its bound over drawn sequences, with fewer strokes than when fixed."""
    test = SequentialTest(good=good, bad=bad, false_alarm=0.05, miss=0.05)
    length = int(12 * test.expected_strokes((good + bad) / 2))
    rng = np.random.default_rng(3)
    for share, wrong in ((good, 1), (bad, -1)):
        verdicts, strokes = test.run_many(rng.random((2000, length), dtype=np.float32) < share)
        assert np.mean(verdicts == 0) < 0.002
        # 0.05 and three standard errors of 2000 draws
        assert np.mean(verdicts == wrong) < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 2000)
        # Wald's mean neglects the overshoot, so that it falls short where single events count much
        assert 0.95 < strokes.mean() / test.expected_strokes(share) < 1.35
        spread = np.sqrt(good * (1 - good)) + np.sqrt(bad * (1 - bad))
        fixed = (1.645 * spread / (bad - good)) ** 2
        assert strokes.mean() < 0.75 * fixed


def test_chance_of_bad_follows_the_draws() -> None:
    """Between the two shares the operating characteristic is that of drawn sequences."""
    test = SequentialTest(good=0.02, bad=0.08)
    rng = np.random.default_rng(5)
    for share in (0.03, 0.045, 0.06):
        verdicts, _ = test.run_many(rng.random((1500, 3000), dtype=np.float32) < share)
        assert np.mean(verdicts == 1) == pytest.approx(test.chance_of_bad(share), abs=0.06)
    assert test.chance_of_bad(0.02) == pytest.approx(0.05, abs=1e-6)
    assert test.chance_of_bad(0.08) == pytest.approx(0.95, abs=1e-6)


def test_one_sequence_stops_where_it_must() -> None:
    """Verdict and stroke agree with the lines; no outcomes decide nothing."""
    test = SequentialTest(good=0.01, bad=0.10, false_alarm=0.05, miss=0.10)
    assert test.run([True, True, False]) == ("at_least_bad", 2)
    verdict, strokes = test.run([False] * 60)
    assert verdict == "at_most_good"
    assert test.verdict(0, strokes) == "at_most_good"
    assert test.verdict(0, strokes - 1) == "undecided"
    assert test.run([]) == ("undecided", 0)
    assert test.run([False] * 5) == ("undecided", 5)


def test_senseless_demands_are_refused() -> None:
    """Shares out of order, risks out of range, more events than strokes: an error says so."""
    with pytest.raises(SequentialTestError, match="0 < good < bad < 1"):
        SequentialTest(good=0.1, bad=0.1)
    with pytest.raises(SequentialTestError, match="risks"):
        SequentialTest(good=0.1, bad=0.2, miss=0.0)
    with pytest.raises(SequentialTestError, match="5 events in 3"):
        SequentialTest(good=0.1, bad=0.2).verdict(5, 3)
