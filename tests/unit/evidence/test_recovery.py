"""The recovery map over simulated detectors whose recovery is known."""

import math

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit, logit

from analysis.recovery import RecoveryError, RecoveryMap

GAPS_MS = np.arange(2.0, 61.0, 2.0)
DIFFERENCES_DB = np.arange(-18.0, 1.0, 3.0)


class Detector:
    """Dead time, then an exponential release of the re-arming level; timing jitter."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng
        self.dead_ms, self.release_ms = rng.uniform(6, 20), rng.uniform(2, 15)
        self.jitter_ms = 0.4

    def gap(self, difference_db: float, share: float) -> float:
        """Gap at which a share of second strokes is above the re-arming level."""
        wait = self.release_ms * max(0.0, -difference_db * math.log(10) / 20)
        return float(self.dead_ms + wait + self.jitter_ms * logit(share))

    def caught(self, gap_ms: float, difference_db: float) -> int:
        """Draw one outcome."""
        chance = expit((gap_ms - self.gap(difference_db, 0.5)) / self.jitter_ms)
        return int(self.rng.random() < chance)


def test_contours_hold_the_truth() -> None:
    """After 120 chosen pairs the contours lie near the truth, and most intervals hold it."""
    rng = np.random.default_rng(31)
    error, inside = [], []
    for _ in range(5):
        detector = Detector(rng)
        recovery = RecoveryMap(GAPS_MS, DIFFERENCES_DB)
        for _ in range(120):
            trial = recovery.next_trial()
            recovery.record(*trial, detector.caught(*trial))
        for share in (0.5, 0.95):
            contour = recovery.contour(share)
            truth = np.array([detector.gap(x, share) for x in DIFFERENCES_DB])
            within = truth < GAPS_MS[-1]
            error += list(np.abs(contour.gap_ms - truth)[within])
            inside += list(((contour.low_ms <= truth) & (truth <= contour.high_ms))[within])
    assert np.median(error) < 0.7
    assert np.quantile(error, 0.95) < 2.0
    assert np.mean(inside) > 0.8


def test_chosen_pairs_tell_more_than_every_cell_in_turn() -> None:
    """The same number of pairs, chosen, leaves narrower contours than one pair a cell."""
    rng = np.random.default_rng(32)
    widths = []
    for _ in range(2):
        detector = Detector(rng)
        chosen, in_turn = RecoveryMap(GAPS_MS, DIFFERENCES_DB), RecoveryMap(GAPS_MS, DIFFERENCES_DB)
        for gap in GAPS_MS:
            for difference in DIFFERENCES_DB:
                in_turn.record(gap, difference, detector.caught(gap, difference))
        for _ in range(GAPS_MS.size * DIFFERENCES_DB.size // 2):
            trial = chosen.next_trial()
            chosen.record(*trial, detector.caught(*trial))
        contours = [m.contour(0.5) for m in (chosen, in_turn)]
        widths.append([float(np.mean(c.high_ms - c.low_ms)) for c in contours])
    mean = np.mean(widths, axis=0)
    assert mean[0] < mean[1]


def test_a_table_counts_as_its_pairs() -> None:
    """Pairs in a table give the map that they give one by one."""
    pairs = pd.DataFrame(
        {
            "gap_ms": [10.0, 10.0, 20.0, 6.0],
            "level_difference_db": [0.0, 0.0, -6.0, -3.0],
            "caught": [True, False, True, False],
        }
    )
    by_table, one_by_one = (
        RecoveryMap(GAPS_MS, DIFFERENCES_DB),
        RecoveryMap(GAPS_MS, DIFFERENCES_DB),
    )
    by_table.record_table(pairs)
    for gap, difference, caught in pairs.itertuples(index=False):
        one_by_one.record(gap, difference, int(caught))
    assert by_table.chance() == pytest.approx(one_by_one.chance())
    assert by_table.trials.sum() == 4


def test_nothing_struck_is_nothing_known() -> None:
    """Without a pair chance and contours are NaN, and a first trial is offered."""
    recovery = RecoveryMap(GAPS_MS, DIFFERENCES_DB)
    assert np.isnan(recovery.chance()).all()
    assert np.isnan(recovery.contour(0.95).gap_ms).all()
    gap, difference = recovery.next_trial()
    assert gap in GAPS_MS
    assert difference in DIFFERENCES_DB


def test_senseless_demands_are_refused() -> None:
    """Few gaps, cells that are not there, too many caught: errors say what is allowed."""
    with pytest.raises(RecoveryError, match="at least 3"):
        RecoveryMap([1.0, 2.0], [0.0])
    recovery = RecoveryMap(GAPS_MS, DIFFERENCES_DB)
    with pytest.raises(RecoveryError, match="nearest cell is 10 ms"):
        recovery.record(10.4, 0.0, 1)
    with pytest.raises(RecoveryError, match="2 of 1"):
        recovery.record(10.0, 0.0, 2)
    with pytest.raises(RecoveryError, match="between 0 and 1"):
        recovery.contour(1.0)
