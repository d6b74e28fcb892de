"""What a search has found so far: a level with its interval, or the bench's limit."""

from __future__ import annotations

import dataclasses


@dataclasses.dataclass(frozen=True, kw_only=True)
class Found:
    """What a search knows.

    Attributes
    ----------
    value, low, high
        Level from which on the demanded share comes out right: posterior median and interval.
    bound
        ``at_least``/``at_most``: the interval reaches past the bench's own limit, beyond which
        nothing was struck and nothing is extrapolated. ``value`` is then the interval's other end,
        or the limit itself where the level very likely lies beyond it; the interval is open on the
        limit's side. ``""`` otherwise.
    done
        Precision reached, or the bench's limit shown.
    stuck
        The interval lies between two neighbouring levels and is still wider than the precision:
        only levels between them would tell more.
    falls
        The trials themselves show that the share does not rise (or fall) but once.
    """

    value: float
    low: float
    high: float
    confidence: float
    bound: str
    done: bool
    stuck: bool
    falls: bool
    trials: int
    method: str = "Bayesian grid, logistic with lapse; levels below may lie off it"
