"""Searches against fixed grids, over simulated modules on simulated pads.

The modules are fed straight with the sensor's sound of each contact, and answer with the bytes on
their wire, from which the notes of each stroke are counted as while a run goes on. What is left out
is striker, board and recording: through the whole bench two hundred modules take hours (see
``test_search_on_the_bench.py``, where some are struck). The truth is what the same module makes of
many more strokes.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import pandas as pd
import pytest
from advice import Case, cases
from scipy import special
from true_gap import crossing

from analysis.found import Found
from analysis.stage_search import StageSearch, notes_of_strokes
from rig.record.protocol import FlamStage, SingleStage, Stage
from rig.simulation.contact import Contact, hertz_impact
from rig.simulation.module import Module
from rig.simulation.pad import Pad

CHANCE = 0.95
GAPS_MS = np.arange(10.0, 61.0, 2.0)
FORCES_N = np.round(np.geomspace(0.3, 8.0, 48), 3)
FLAM_FORCE_N = 12.0
SPREAD = 0.03
"""Of a stroke's force, relative; and of its flight: about what the simulated strikers have."""
FLIGHT_MS = 0.15
REST_S = 0.6
ROUNDS = 48
"""A grid that is not as precise after so many is left there: the ratio is then an upper bound."""

LONG = pytest.param(200, marks=[pytest.mark.long, pytest.mark.timeout(7200)])


class StruckModule:
    """A module, and strokes on its pad."""

    def __init__(self, case: Case, **settings: float) -> None:
        names = ("gain_db", "threshold_percent", "peak_window_ms", "dead_time_ms", "release_ms")
        chosen = {name: case.settings[name] for name in names} | settings
        # each stroke's bytes are read by themselves
        self._figures = dataclasses.replace(case.module, **chosen, running_status=False)
        self._pad = Pad(case.pad)
        self._module = Module(self._figures, self._pad, seed=case.number + 1)
        self._rng = np.random.default_rng(case.number)
        self._begin_s = 1.0
        self.strokes = 0

    def _contact(self, at_s: float, force_n: float) -> Contact:
        # force goes with velocity ** 1.2
        speed = (force_n / hertz_impact(0.03, 1.0, 4.5e6)[1]) ** (1.0 / 1.2)
        self.strokes += 1
        return Contact(
            strike=self.strokes, striker="A", coil=0, coil_on_s=at_s - 0.008, contact_s=at_s,
            traced_s=at_s, velocity_m_per_s=speed, force_n=force_n,
            duration_s=hertz_impact(0.03, speed, 4.5e6, 0.5)[2], position=0.3, angle_rad=0.15,
            temperature_c=21.0,
        )  # fmt: skip

    def _strike(self, planned_s: np.ndarray, force_n: float) -> tuple[np.ndarray, ...]:
        """Strike; gives true instants and forces, and the notes of each stroke."""
        planned_s = planned_s + self._begin_s
        at_s = planned_s + self._rng.normal(0.0, 1e-3 * FLIGHT_MS, planned_s.size)
        forces_n = force_n * np.exp(SPREAD * self._rng.standard_normal(planned_s.size))
        for instant_s, one_n in zip(at_s, forces_n, strict=True):
            self._module.hear(self._pad.sound(self._contact(float(instant_s), float(one_n))))
        self._begin_s += REST_S
        self._module.advance(self._begin_s - 0.05)
        came = list(self._module.ports.take_din(self._begin_s))
        notes = notes_of_strokes(
            planned_s, [byte for _, byte in came], [at for at, _ in came],
            self._figures.channel, self._figures.note,
        )  # fmt: skip
        return at_s, forces_n, notes

    def pair(self, gap_ms: float) -> tuple[float, np.ndarray]:
        """Strike a pair; gives its true gap (ms), and the notes of either stroke."""
        at_s, _, notes = self._strike(np.array([0.0, 1e-3 * gap_ms]), FLAM_FORCE_N)
        return 1e3 * float(np.diff(at_s)[0]), notes

    def single(self, force_n: float) -> tuple[float, np.ndarray]:
        """Strike once; gives the force that was meant, and the notes."""
        return force_n, self._strike(np.zeros(1), force_n)[2]


Trial = Callable[[float], tuple[float, np.ndarray]]


class Kind(NamedTuple):
    """A kind of search: its stage, what its plan varies, at which levels, and strokes a burst."""

    stage: Stage
    column: str
    levels: np.ndarray
    strokes: int


PAIRS = Kind(
    FlamStage(
        name="pairs", strikers=("A", "B"), gaps_ms=tuple(GAPS_MS), force_n=FLAM_FORCE_N,
        precision_ms=3.0, chance_percent=100 * CHANCE,
    ),
    "gap_ms", GAPS_MS, 2,
)  # fmt: skip
SOFTEST = Kind(
    SingleStage(
        name="softest", strikers=("A",), forces_n=tuple(FORCES_N), interval_ms=600,
        precision_n=0.25, chance_percent=100 * CHANCE,
    ),
    "force_n", FORCES_N, 1,
)  # fmt: skip


def a_search(kind: Kind) -> tuple[StageSearch, np.ndarray]:
    """A search, and the level of each burst of its plan: all levels, again and again."""
    level = np.tile(kind.levels, ROUNDS)
    strikes = pd.DataFrame({"burst": np.arange(level.size), "level_difference_db": 0.0})
    strikes = strikes.assign(**{kind.column: level})
    return StageSearch(kind.stage, strikes.loc[strikes.index.repeat(kind.strokes)], 0.95), level


def searched(kind: Kind, trial: Trial) -> Found:
    """Strike as the search asks, until it is done."""
    search, level = a_search(kind)
    while (burst := search.next_burst()) is not None:
        search.record(burst, trial(float(level[burst]))[1])
    return search._search.found()


def gone_through(kind: Kind, trial: Trial) -> Found:
    """Strike every level in turn, round after round, until the same estimate is as precise."""
    search, level = a_search(kind)
    for first in range(0, level.size, kind.levels.size):
        for burst in range(first, first + kind.levels.size):
            search.record(burst, trial(float(level[burst]))[1])
        if search.answer().done:
            break
    return search._search.found()


def told(struck: list[tuple[float, np.ndarray]]) -> tuple[np.ndarray, np.ndarray]:
    """Level, and whether the last stroke sounded, of each burst whose earlier ones did."""
    good = [(level, notes[-1] > 0) for level, notes in struck if (notes[:-1] > 0).all()]
    return np.array([level for level, _ in good]), np.array([hit for _, hit in good])


def truth_of(trial: Trial, least: float, most: float, near: float) -> tuple[float, bool]:
    """Where the chance is reached for good, and whether the chance falls on the way.

    100 bursts over the whole range, and 300 about what they say. It falls where of 20 neighbouring
    bursts 18 sound, and of 20 higher ones at most 10.
    """
    rng = np.random.default_rng(1)
    struck = [trial(level) for level in rng.uniform(least, most, 100)]
    about = crossing(*told(struck), CHANCE)
    struck += [trial(max(level, least / 2)) for level in about + near * rng.uniform(-1, 1, 300)]
    level, hit = told(struck)
    true = crossing(level, hit, CHANCE)
    order = np.argsort(level)
    share = np.convolve(hit[order].astype(float), np.ones(20), "valid")
    reached = np.flatnonzero(share > 17.5)
    dips = bool(reached.size) and bool((share[reached[0] :] < 10.5).any())
    return true, dips


def near(found: Found, true: float, least: float, most: float, room: float) -> bool:
    """Whether an answer is as near as demanded; beyond the levels struck it is a bound."""
    return abs(found.value - min(max(true, least), most)) <= room


def reaches(trial: Trial, level: float) -> bool:
    """Whether the module's own chance at a level is at least the one demanded.

    Struck until the share is 20 times likelier than one at the demanded chance (log ratio above 3),
    or 300 times.
    """
    hits = count = 0
    while count < 300:
        _, hit = told([trial(level) for _ in range(20)])
        hits, count = hits + int(hit.sum()), count + max(hit.size, 1)
        share = hits / count
        ratio = special.xlogy(hits, share / CHANCE)
        ratio += special.xlogy(count - hits, (1.0 - share) / (1.0 - CHANCE))
        if ratio > 3.0:
            break
    return hits / count >= CHANCE


def holds(found: Found, trial: Trial, levels: np.ndarray) -> bool:
    """Whether the module's own chance rises past the demanded one within an interval.

    Of its ends and the levels between, one has not reached it and a higher one has: where pads ring
    on there may be several such rises. An open end needs no rise.
    """
    if np.isinf(found.low):
        return reaches(trial, found.high)
    if np.isinf(found.high):
        return not reaches(trial, found.low)
    within = levels[(levels > found.low) & (levels < found.high)]
    short = False
    for level in [found.low, *within, found.high]:
        reached = reaches(trial, level)
        if short and reached:
            return True
        short = short or not reached
    return False


def covers(held: list[bool]) -> bool:
    """Whether 93 % of intervals hold at least; of a few, within 2.5 errors of chance."""
    slack = 2.5 * np.sqrt(0.95 * 0.05 / len(held)) if len(held) < 150 else 0.0
    return bool(np.mean(held) >= 0.93 - slack)


@pytest.mark.parametrize("modules", [3, LONG])
def test_the_softest_sure_stroke_takes_a_third_of_a_grids_strokes(modules: int) -> None:
    """Thresholds, gains, pads and noise drawn: to an interval of 0.25 N, both near the truth.

    The interval holds it at least as often as it says. It holds more: it ends at 0.25 N, and the
    modules' chances rise within a few hundredths of a newton.
    """
    strokes, right, held = [], [], []
    for case in cases(modules):
        module = StruckModule(case)
        found = []
        for way in (searched, gone_through):
            before = module.strokes
            found.append(way(SOFTEST, module.single))
            strokes.append(module.strokes - before)
        true_n, _ = truth_of(module.single, FORCES_N[0], FORCES_N[-1], 0.2)
        right += [near(one, true_n, FORCES_N[0], FORCES_N[-1], 0.25) for one in found]
        held.append(holds(found[0], module.single, FORCES_N))
    count = np.array(strokes).reshape(-1, 2)
    print(count.sum(axis=0), np.median(count[:, 0] / count[:, 1]), np.mean(right))
    print(f"{sum(held)} of {len(held)} intervals hold the truth")
    assert covers(held)
    assert count[:, 0].sum() <= count[:, 1].sum() / 3
    assert np.median(count[:, 0] / count[:, 1]) <= 1 / 3
    assert np.mean(right) >= 0.95


@pytest.mark.parametrize("modules", [2, LONG])
def test_the_flam_gap_takes_a_third_of_a_grids_strokes(modules: int) -> None:
    """Dead times from 12 to 45 ms, pads and builds drawn: to an interval of 3 ms.

    Some modules on pads that ring on lose seconds again at longer gaps. What the search assumes, a
    chance that does not fall with the gap, is then not so, and neither it nor the same estimate
    from a grid finds the gap from which on seconds are caught for good; they are left out of what
    is asked of the answers, and printed. A few are so far from it that neither becomes precise: of
    them no precision is equal, and their strokes are not compared. Where only the search does not, as
    with 2 % of modules at most, all its strokes count against those that the grid took.

    The interval is asked of all, but where the search itself says that the chance falls again:
    the module's own chance passes the demanded one within it.
    """
    rng = np.random.default_rng(71)
    strokes, right, dipping, held, late = [], [], [], [], []
    undone = said = 0
    for case in cases(modules):
        module = StruckModule(
            case, gain_db=0.0, threshold_percent=1.6, dead_time_ms=float(rng.uniform(12, 45))
        )
        found, taken = [], []
        for way in (searched, gone_through):
            before = module.strokes
            found.append(way(PAIRS, module.pair))
            taken.append(module.strokes - before)
        if not any(one.done for one in found):
            undone += 1
            continue
        late.append(not found[0].done)
        strokes.append(taken)
        if found[0].falls:
            said += 1
        else:
            held.append(holds(found[0], module.pair, GAPS_MS))
        true_ms, dips = truth_of(module.pair, GAPS_MS[0], GAPS_MS[-1], 6.0)
        both = [near(one, true_ms, GAPS_MS[0], GAPS_MS[-1], 3.0) for one in found]
        (dipping if dips else right).append(both)
    count = np.array(strokes)
    print(count.sum(axis=0), np.median(count[:, 0] / count[:, 1]), undone, sum(late))
    print(len(right), np.mean(right, axis=0), len(dipping), np.mean(dipping or [[0]], axis=0))
    print(
        f"{sum(held)} of {len(held)} intervals hold the truth; of {said} it is said that it falls"
    )
    assert covers(held)
    assert np.mean(late) <= 0.02
    assert count[:, 0].sum() <= count[:, 1].sum() / 3
    assert np.median(count[:, 0] / count[:, 1]) <= 1 / 3
    # measured with 200 modules: 99 % of either, where the chance does not fall again
    assert (np.mean(right, axis=0) >= (0.95 if modules > 2 else 0.8)).all()
