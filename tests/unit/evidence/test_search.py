"""The adaptive search over simulated modules whose curve is known."""

import math

import numpy as np
import psignifit
import pytest
from scipy.special import expit, logit

from analysis.search import Search, SearchError

RATES_PER_S = np.arange(6.0, 41.0)


class Drawn:
    """A module that resolves a stroke with a chance that falls with the rate."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng
        self.threshold, self.width = rng.uniform(12, 34), rng.uniform(0.3, 1.2)

    def right(self, rate: float, trials: int = 1) -> int:
        """Draw outcomes."""
        chance = expit(-(rate - self.threshold) / self.width)
        return int(self.rng.binomial(trials, chance))

    def resolvable(self, target: float) -> float:
        """Rate at which the target share is right."""
        return float(self.threshold - self.width * logit(target))


def adaptive(module: Drawn, **asked: float) -> Search:
    """Search to the end."""
    search = Search(RATES_PER_S, rising=False, **asked)  # type: ignore[arg-type]
    while not search.finished:
        rate = search.next_level()
        search.record(rate, module.right(rate))
    return search


def fixed_grid(module: Drawn, **asked: float) -> Search:
    """Strike every rate in turn until the same precision is reached."""
    search = Search(RATES_PER_S, rising=False, **asked)  # type: ignore[arg-type]
    while not search.found().done:
        for rate in RATES_PER_S:
            search.record(rate, module.right(rate))
    return search


LONG = pytest.param(200, marks=pytest.mark.long)


@pytest.mark.parametrize("modules", [20, LONG])
@pytest.mark.parametrize("target", [0.5, 0.95])
def test_search_needs_a_third_of_a_fixed_grid(target: float, modules: int) -> None:
    """Over drawn modules, equal precision takes at most a third of the strokes.

    The intervals hold the truth as often as they say, and the error is no greater than the grid's.
    """
    rng = np.random.default_rng(21)
    strokes, errors, held = [], [], 0
    for _ in range(modules):
        module = Drawn(rng)
        pair = [
            run(module, target=target, precision=2.0, most_trials=5000)
            for run in (adaptive, fixed_grid)
        ]
        truth = module.resolvable(target)
        found = [search.found() for search in pair]
        strokes.append([one.trials for one in found])
        errors.append([one.value - truth for one in found])
        held += found[0].low <= truth <= found[0].high
        assert found[0].high - found[0].low <= 2.0
    mean = np.mean(strokes, axis=0)
    assert mean[0] <= mean[1] / 3.0
    rms = np.sqrt(np.mean(np.square(errors), axis=0))
    assert rms[0] <= (1.1 if modules >= 200 else 2.05) * rms[1]
    # 95 % and three standard errors of so many draws
    assert held / modules >= 0.95 - 3 * math.sqrt(0.95 * 0.05 / modules)


def test_threshold_agrees_with_the_peer() -> None:
    """psignifit, fed with the final data of a search, finds the same threshold."""
    rng = np.random.default_rng(22)
    module = Drawn(rng)
    search = adaptive(module, target=0.5, precision=1.0)
    struck = search.trials > 0
    # rates are mirrored, so that the curve rises as the peer wants it
    data = np.column_stack([-RATES_PER_S[struck], search.right[struck], search.trials[struck]])[
        ::-1
    ]
    peer = psignifit.psignifit(data, sigmoid="logistic", experiment_type="yes/no")
    # the peer's threshold lies halfway between guess and lapse
    assert search.found().value == pytest.approx(-peer.parameter_estimate["threshold"], abs=0.35)


def test_a_rising_curve_is_searched_too() -> None:
    """The softest sure stroke: the force found is that at which 99 % sound."""
    rng = np.random.default_rng(23)
    forces = np.geomspace(0.5, 20.0, 40)
    search = Search(forces, rising=True, precision=0.8, target=0.99)
    while not search.finished:
        force = search.next_level()
        search.record(force, int(rng.random() < expit((force - 3.0) / 0.15)))
    found = search.found()
    assert found.done
    assert found.low <= 3.0 + 0.15 * logit(0.99) <= found.high


def test_the_benchs_limit_makes_it_at_least() -> None:
    """Better than the bench: "at least" its fastest rate; worse than its slowest: "at most"."""
    fast = Search(RATES_PER_S, rising=False, precision=2.0)
    while not fast.finished:
        fast.record(fast.next_level(), 1)
    assert fast.found().bound == "at_least"
    assert fast.found().value == 40.0
    slow = Search(RATES_PER_S, rising=False, precision=2.0)
    while not slow.finished:
        slow.record(slow.next_level(), 0)
    assert slow.found().bound == "at_most"
    assert slow.found().value == 6.0


@pytest.mark.parametrize(
    ("levels", "rising", "true", "width", "precision", "bound"),
    [
        (np.arange(60.0, 71.0, 2.0), True, 8.0, 1.0, 4.0, "at_most"),
        (np.arange(10.0, 15.0), False, 42.0, 1.0, 2.0, "at_least"),
        (np.arange(2.0, 3.01, 0.2), True, 1.05, 0.02, 0.4, "at_most"),
        (np.arange(60.0, 71.0, 2.0), True, 200.0, 5.0, 4.0, "at_least"),
    ],
)
def test_far_beyond_a_short_ladder_is_a_bound(
    levels: np.ndarray, rising: bool, true: float, width: float, precision: float, bound: str
) -> None:
    """A ladder short against the way to the true level never makes its own end the answer."""
    rng = np.random.default_rng(29)
    sign = 1.0 if rising else -1.0
    for _ in range(20):
        search = Search(levels, rising=rising, precision=precision)
        while not search.finished:
            level = search.next_level()
            chance = expit(sign * (level - true) / width + logit(0.95))
            search.record(level, int(rng.random() < chance))
        found = search.found()
        assert (found.done, found.bound) == (True, bound)
        assert found.low <= true <= found.high
        assert found.trials < 60


def test_a_level_at_the_ladders_end_is_found_or_bounded() -> None:
    """Just within and just beyond the shortest gap: precise all the same, and true in 90 % at least."""
    rng = np.random.default_rng(31)
    held = []
    for true in np.repeat([59.6, 60.0, 60.5, 61.0], 15):
        search = Search(np.arange(60.0, 71.0, 2.0), rising=True, precision=4.0, most_trials=600)
        while not search.finished:
            level = search.next_level()
            search.record(level, int(rng.random() < expit((level - true) / 0.5 + logit(0.95))))
        assert search.found().done
        held.append(search.found().low <= true <= search.found().high)
    assert np.mean(held) >= 0.9


def test_no_interval_begins_below_nothing() -> None:
    """What the bench can't strike may be softer still, but there is no force below 0."""
    search = Search([1.0, 2.0, 3.0, 4.0, 5.0], rising=True, precision=0.3)
    search.record(1.0, 3, 3)
    assert search.found().low == 0.0


def test_nothing_struck_is_nothing_known() -> None:
    """Without a trial the value is NaN; at its most trials the search ends undone."""
    search = Search(RATES_PER_S, rising=False, precision=0.001, most_trials=5)
    assert math.isnan(search.found().value)
    assert not search.finished
    for _ in range(5):
        search.record(20.0, 1)
    assert search.finished
    assert not search.found().done


def test_senseless_demands_are_refused() -> None:
    """Levels, targets and outcomes that make no sense give errors that say what is allowed."""
    with pytest.raises(SearchError, match="at least 3, ascending"):
        Search([3.0, 2.0, 1.0], rising=True, precision=1.0)
    with pytest.raises(SearchError, match="target"):
        Search(RATES_PER_S, rising=True, precision=1.0, target=1.0)
    search = Search(RATES_PER_S, rising=True, precision=1.0)
    with pytest.raises(SearchError, match=r"2 of 1 right"):
        search.record(10.0, 2)
    with pytest.raises(SearchError, match="one of those given"):
        search.record(99.0, 1)
