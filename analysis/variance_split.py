"""How the figures of a gauge study are put together from its mean squares, with their intervals."""

from __future__ import annotations

import dataclasses
import math
from typing import NamedTuple

from analysis.interval import Interval
from analysis.mean_squares import MeanSquares, Weights

REPEATABILITY, GAUGE, PART = "repeatability", "bench in all", "between specimens"
REPRODUCIBILITY, CROSSED = "between conditions", "differs by specimen"

FLOOR_CONFIDENCE = 0.99
"""Of the bound by the repeats alone: with it both lower bounds together hardly miss more often."""


class Figure(NamedTuple):
    """A figure of a study, its bounds at 95 %, their method, and the degrees of freedom behind it.

    ``degrees``: source of spread to its degrees of freedom, the fewest first.
    """

    value: float
    low: float
    high: float
    method: str
    degrees: dict[str, int]


@dataclasses.dataclass(frozen=True, kw_only=True)
class Split:
    """A study's variances as sums of its mean squares.

    Attributes
    ----------
    squares
        Of the whole model: an interval that let interactions be pooled because they were not seen
        would claim more than is known.
    weights
        Figure to its weights: ``REPEATABILITY``, ``GAUGE`` and the other names of this module,
        and of each source its own name.
    """

    squares: MeanSquares
    weights: dict[str, Weights]

    def figure(
        self, sd: float, weights: Weights, *, repeats: float = 0.0, factor: float = 1.0
    ) -> Figure:
        """Bound a standard deviation.

        Parameters
        ----------
        sd
            The value. It lies within the bounds, which are widened to it where interactions were
            pooled or parts of it set to 0.
        weights
            Of the mean squares in its square.
        repeats
            Weight of the variance of the repeats in its square, of which all else is a part that
            cannot be negative: they alone are a lower bound too.
        factor
            By which value and bounds are multiplied.
        """
        found = self.squares.variance(weights)
        low = found.low
        if repeats:
            least = {name: repeats * w for name, w in self.weights[REPEATABILITY].items()}
            low = max(low, self.squares.variance(least, FLOOR_CONFIDENCE).low)
        return Figure(
            factor * sd,
            factor * min(math.sqrt(low), sd),
            factor * max(math.sqrt(found.high), sd),
            found.method,
            self.squares.degrees(weights),
        )

    def percent(self, value: float) -> Interval:
        """Bound the bench's percentage of the total standard deviation."""
        found = self.squares.share(self.weights[GAUGE], self.weights[PART])
        low, high = 100.0 * math.sqrt(found.low), 100.0 * math.sqrt(found.high)
        return Interval(value, min(low, value), max(high, value), found.method)
