"""How many strokes it takes to see a difference, or to show that there is none."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable

import numpy as np
from scipy import special, stats

from analysis.equivalence import newcombe

MOST_STROKES = 1_000_000


def strokes_for_shift(standard_deviation: float, margin: float, risk: float, power: float) -> int:
    """Strokes a side to see a shift of ``margin``, and to show none beyond it where there is none.

    Normal theory; the greater of the one-sided test at ``risk`` and of two one-sided tests at 0.05.
    A spread of 0 takes 2.
    """
    see = stats.norm.isf(risk) + stats.norm.ppf(power)
    show_none = stats.norm.isf(0.05) + stats.norm.ppf(0.5 + power / 2.0)
    needed = 2.0 * (max(see, show_none) * standard_deviation / margin) ** 2
    return min(MOST_STROKES, max(2, math.ceil(needed)))


def _around(share: float, n: int) -> np.ndarray:
    spread = 6.0 * math.sqrt(n * max(share, 1.0 / n) * (1.0 - share)) + 4.0
    low = max(0, math.floor(n * share - spread))
    return np.arange(low, min(n, math.ceil(n * share + spread)) + 1)


def power_of_fisher(before: float, after: float, n: int, risk: float) -> float:
    """Chance that Fisher's one-sided test shows ``after`` above ``before``, n strokes a side."""
    k1, k2 = _around(before, n), _around(after, n)
    hits = np.arange(k1[0] + k2[0], k1[-1] + k2[-1] + 1)[:, None]
    after_hits = np.arange(hits[-1, 0] + 1)[None, :]
    # hypergeometric chance of so many of the hits falling on the second side; its upper tail is p
    possible = (after_hits <= np.minimum(hits, n)) & (after_hits >= hits - n)
    inside = np.where(possible, after_hits, np.maximum(0, hits - n))
    log_chance = _log_choose(n, inside) + _log_choose(n, hits - inside) - _log_choose(2 * n, hits)
    chance = np.where(possible, np.exp(log_chance), 0.0)
    p = np.cumsum(chance[:, ::-1], axis=1)[:, ::-1]
    shown = p[(k1[:, None] + k2[None, :]) - hits[0, 0], k2[None, :]] <= risk
    weight = stats.binom.pmf(k1, n, before)[:, None] * stats.binom.pmf(k2, n, after)[None, :]
    return float((weight * shown).sum())


def _log_choose(n: int, k: np.ndarray) -> np.ndarray:
    return np.asarray(
        special.gammaln(n + 1) - special.gammaln(k + 1) - special.gammaln(n - k + 1), dtype=float
    )


def power_of_equivalence(share: float, n: int, margin: float) -> float:
    """Chance that two equal shares are shown to differ by less than ``margin`` (at 0.05)."""
    k = _around(share, n)
    low, high = newcombe(k[:, None], n, k[None, :], n, 0.90)
    chance = stats.binom.pmf(k, n, share)
    within = (low > -margin) & (high < margin)
    return float((chance[:, None] * chance[None, :] * within).sum())


def _least(enough: Callable[[int], bool], start: int) -> int:
    """Return the least n that is enough, to 3 %, if being enough grows with n."""
    low, high = 0, start
    while not enough(high):
        low, high = high, 2 * high
        if high > MOST_STROKES:
            return MOST_STROKES
    while high - low > max(1, high // 32):
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


@functools.lru_cache(maxsize=256)
def strokes_for_share(share: float, margin: float, risk: float, power: float) -> int:
    """Strokes a side to see a share rise by ``margin``, and to show no rise where there is none.

    By counting all outcomes of the tests that :mod:`analysis.change` makes.
    """
    after = min(1.0, share + margin)

    def enough(n: int) -> bool:
        return (
            power_of_fisher(share, after, n, risk) >= power
            and power_of_equivalence(share, n, margin) >= power
        )

    return _least(enough, 32)
