"""What the markers' residuals tell of the two clocks: scatter of the edges, or wander besides."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import stats

from analysis.allan import Floats, allan_of_times, time_deviation

LEAST_EVENTS = 30
SHORTEST_S = 0.1
LEAST_STRETCHES = 4.0
"""The longest averaging time fits so often into the markers' span."""
LEAST_DIFFERENCES = 20
LEAST_S = 1e-9
"""No wander is so small that it matters; what rounding leaves is none."""
SURE = 0.999
"""Chance that pure scatter stays below what is taken for wander, at each averaging time."""


@dataclasses.dataclass(frozen=True)
class ClockNoise:
    """How the clocks wander, and what the line leaves of it, by averaging time.

    Attributes
    ----------
    tau_s
        Averaging times, s; fewer than two where there are too few markers.
    clocks, residuals
        Allan deviation of the markers about one straight line, and about the line that is used.
    wander
        Allan deviation of the clocks themselves, the edges' scatter taken out; 0 where none is
        seen.
    edges
        Allan deviation that the scatter of single edges alone would give (white phase noise:
        it falls as 1 / tau).
    left_s, edges_left_s
        Time deviation of the residuals, and what the scatter alone would give: by how much means
        over such a time are off the line.
    most_left_s
        What scatter alone would stay below, with the chance ``SURE``.
    """

    tau_s: Floats
    clocks: Floats
    residuals: Floats
    wander: Floats
    edges: Floats
    left_s: Floats
    edges_left_s: Floats
    most_left_s: Floats

    @property
    def known(self) -> bool:
        """There are markers enough to tell."""
        return len(self.tau_s) > 1

    @property
    def white(self) -> bool:
        """The line leaves nothing but the scatter of edges; so too where nothing is known."""
        return bool((self.left_s <= self.most_left_s).all())

    @property
    def unfollowed_s(self) -> float:
        """Largest wander that the line leaves, beyond the scatter of edges; 0 where it is white."""
        over = self.left_s > self.most_left_s
        beyond = self.left_s[over] ** 2 - self.edges_left_s[over] ** 2
        return float(np.sqrt(beyond.max(initial=0.0)))

    @property
    def slope(self) -> float:
        """Slope of the residuals' Allan deviation, double-logarithmic: -1 for white phase noise."""
        if not self.known:
            return float("nan")
        return float(np.polyfit(np.log(self.tau_s), np.log(self.residuals), 1)[0])

    def wander_at(self, seconds: npt.ArrayLike) -> Floats:
        """Rate by which the clocks wander in a time away from a marker, relative."""
        away = np.asarray(seconds, dtype=np.float64)
        if not self.known:
            return np.zeros_like(away)
        at, most = np.log(np.maximum(away, 1e-9)), float(self.wander.max())
        return np.asarray(np.interp(at, np.log(self.tau_s), self.wander, left=0.0, right=most))

    def sentence(self) -> str:
        """What a person should know of it; empty where nothing is known."""
        if not self.known:
            return ""
        middle = int(np.argmin(np.abs(np.log(self.tau_s / 10.0))))
        text = (
            f"averaged over {self.tau_s[middle]:.2g} s, markers and line differ by "
            f"{self.left_s[middle] * 1e6:.2g} µs; "
        )
        if self.white:
            text += (
                f"from {self.tau_s[0]:.2g} to {self.tau_s[-1]:.2g} s there is no more than the "
                "scatter of single edges"
            )
        else:
            text += (
                f"the clocks wander faster than the line follows, by {self.unfollowed_s * 1e6:.2g} "
                "µs; times are that much less sure"
            )
        if (self.wander > 0.0).any():
            worst = int(np.argmax(self.wander))
            return (
                f"{text}; over {self.tau_s[worst]:.2g} s the two clocks wander by "
                f"{self.wander[worst] * 1e6:.2g} ppm against each other (Allan deviation)"
            )
        least = int(np.argmin(self.clocks))
        return (
            f"{text}; no wander of the two clocks against each other is seen (Allan deviation: "
            f"below {self.clocks[least] * 1e6:.2g} ppm over {self.tau_s[least]:.2g} s)"
        )

    def rows(self) -> list[dict[str, Any]]:
        """One entry an averaging time, for the result's record."""
        columns = {
            "tau_s": self.tau_s,
            "clocks": self.clocks,
            "residuals": self.residuals,
            "edges": self.edges,
            "time_deviation_us": self.left_s * 1e6,
            "edges_time_deviation_us": self.edges_left_s * 1e6,
        }
        return [
            {name: float(f"{column[k]:.4g}") for name, column in columns.items()}
            for k in range(len(self.tau_s))
        ]


def clock_noise(at_s: Floats, about_line_s: Floats, left_s: Floats, sd_s: float) -> ClockNoise:
    """Tell scatter from wander.

    Parameters
    ----------
    at_s
        (n,) times of the markers that carry the line, rising.
    about_line_s, left_s
        (n,) their offsets from one straight line, and from the line that is used.
    sd_s
        Scatter of the latter.

    Returns
    -------
    ClockNoise
        Without entries where there are fewer than 30 markers, or none lie evenly enough.
    """
    nothing = ClockNoise(*[np.zeros(0)] * 8)
    if len(at_s) < LEAST_EVENTS:
        return nothing
    longest_s = (at_s[-1] - at_s[0]) / LEAST_STRETCHES
    octaves = int(np.floor(np.log2(max(longest_s / SHORTEST_S, 0.5)))) + 1
    asked = SHORTEST_S * 2.0 ** np.arange(max(octaves, 0))
    clocks = allan_of_times(at_s, about_line_s, asked)
    residuals = allan_of_times(at_s, left_s, asked)
    left = time_deviation(at_s, left_s, asked)
    # neighbours' scatter: what wander there is adds nothing to it
    edge_s = min(sd_s, _scatter(left_s))
    enough = np.minimum(clocks.count, left.count) >= LEAST_DIFFERENCES
    # means over a stretch are as independent as stretches fit in
    stretches = np.maximum((at_s[-1] - at_s[0]) / asked / 2.0, 1.0)
    edges, edges_left_s = edge_s * residuals.white, edge_s * left.white
    # each event stands in three differences
    freedom = np.maximum(np.minimum(2.0 * stretches, clocks.count / 3.0), 1.0)
    seen = clocks.value > _limit(freedom) * edges
    own = np.sqrt(np.maximum(clocks.value**2 - edges**2, 0.0))
    return ClockNoise(
        tau_s=residuals.tau_s[enough],
        clocks=clocks.value[enough],
        residuals=residuals.value[enough],
        wander=np.where(seen, own, 0.0)[enough],
        edges=edges[enough],
        left_s=left.value[enough],
        edges_left_s=edges_left_s[enough],
        most_left_s=np.maximum(_limit(stretches) * edges_left_s, LEAST_S)[enough],
    )


def _limit(freedom: Floats) -> Floats:
    """Ratio to its standard deviation that pure scatter stays below, with the chance ``SURE``."""
    return np.asarray(np.sqrt(stats.chi2.ppf(SURE, freedom) / freedom))


def _scatter(left_s: Floats) -> float:
    """Standard deviation of single edges: slow wander is not in second differences."""
    return float(np.sqrt((np.diff(left_s, 2) ** 2).mean() / 6.0))
