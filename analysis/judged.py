"""Verdicts on all measures of a comparison, which share one risk."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from typing import Literal

from analysis import equivalence
from analysis.asked import LIMITS, RATE, Asked
from analysis.change import Change, strokes_needed
from analysis.equivalence import Difference
from analysis.force_change import ForceChange, strokes_at_forces
from analysis.rate_change import seconds_needed

Verdict = Literal["better", "equal", "worse", "undecided"]
AT_FORCES = 0.2
"""Share of a measure's risk that is left to its forces: what a figure over all hides is large."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class AtForce:
    """One measure at one force, in the measure's unit.

    ``low`` and ``high`` hold at once for all forces; ``p_worse`` and ``p_better`` are corrected
    over forces and tests. The verdict on a share, or on latency, is never equal: strokes of one
    force are too few.
    """

    force: str
    before: float
    after: float
    difference: float
    low: float
    high: float
    verdict: Verdict
    p_worse: float
    p_better: float
    count_before: int
    count_after: int
    method: str


@dataclasses.dataclass(frozen=True, kw_only=True)
class Compared:
    """One measure before and after, in its unit.

    ``strokes_needed`` (a side, of what ``counted`` says) is told where the verdict is undecided,
    else 0; ``p_worse`` and ``p_better`` are corrected over all tests, the lesser of those over all
    strokes and at any force. ``over_all``: verdict that leaves the forces aside; ``forces``: from
    soft to hard, empty where it isn't judged by force. ``aside``: undecided, which doesn't hold up
    the verdict over all.
    """

    name: str
    unit: str
    margin: float
    before: float
    after: float
    difference: float
    low: float
    high: float
    method: str
    verdict: Verdict
    over_all: Verdict
    p_worse: float
    p_better: float
    count_before: int
    count_after: int
    strokes_needed: int = 0
    counted: str = "strokes"
    aside: bool = False
    forces: tuple[AtForce, ...] = ()

    @property
    def most_changed(self) -> AtForce | None:
        """The force that the verdict rests on, else where it changed most; None if nowhere."""
        own = [one for one in self.forces if one.verdict == self.verdict] or self.forces
        found = max(own, key=lambda one: (-one.p_worse, abs(one.difference)), default=None)
        return found if found and abs(found.difference) > 0.0 else None


def judge(
    asked: Mapping[str, Asked],
    changes: Mapping[str, Change],
    forces: Mapping[str, Sequence[ForceChange]],
    risk: float,
    target: float,
) -> tuple[Compared, ...]:
    """Judge measures together.

    The measures share the risk by Holm's way. Of its share, a measure that is judged by force gives
    ``AT_FORCES`` to the test at the force where it changed most, the rest to that over all strokes.

    Parameters
    ----------
    asked, changes, forces
        Of each measure; ``forces`` empty where it isn't judged by force.
    risk
        Of any false *worse*, and of any false *better*.
    target
        Chance of a verdict at the strokes that an undecided one asks for.
    """
    tested = {name: _tests(asked[name], changes[name], forces[name]) for name in asked}
    holm = [
        dict(
            zip(
                asked,
                equivalence.holm([min(_shared(tested[name][way])) for name in asked]),
                strict=True,
            )
        )
        for way in (0, 1)
    ]
    found = []
    for name, how in asked.items():
        raw = changes[name]
        worse, better = (
            _corrected(ps, float(least[name]), len(asked))
            for ps, least in zip(tested[name], holm, strict=True)
        )
        parts = tuple(
            _at_force(one, how, risk, p_worse, p_better)
            for one, p_worse, p_better in zip(forces[name], worse[1:], better[1:], strict=True)
        )
        own = _verdict(raw.difference, how, worse[0] <= risk, better[0] <= risk)
        verdict = _with_forces(own, how, parts, forces[name])
        needed, own_risk = 0, risk / len(asked)
        if verdict == "undecided" and own == verdict:
            over_all = own_risk * (1.0 - AT_FORCES if parts else 1.0)
            needed = _needed(name, raw, how, over_all, target)
        if verdict == "undecided" and how.forces == "equal":
            at_forces = strokes_at_forces(forces[name], how.margin, own_risk * AT_FORCES, target)
            needed = max(needed, at_forces)
        found.append(
            Compared(
                name=name,
                unit=how.unit,
                margin=how.margin,
                before=raw.before,
                after=raw.after,
                difference=raw.difference.value,
                low=raw.difference.low,
                high=raw.difference.high,
                method=raw.difference.method,
                verdict=verdict,
                over_all=own,
                p_worse=min(worse),
                p_better=min(better),
                count_before=raw.counts[0],
                count_after=raw.counts[1],
                strokes_needed=needed,
                counted=how.counted,
                aside=verdict == "undecided" and not how.needed and _small(raw.difference, how),
                forces=parts,
            )
        )
    return tuple(found)


def _p_worse(how: Asked, p_more: float, p_less: float) -> float:
    if how.better == "same":
        return min(1.0, 2.0 * min(p_more, p_less))
    return p_less if how.better == "more" else p_more


def _p_better(how: Asked, p_more: float, p_less: float) -> float:
    if how.better == "same":
        return 1.0
    return p_more if how.better == "more" else p_less


def _verdict(difference: Difference, how: Asked, worse: bool, better: bool) -> Verdict:
    if difference.within(how.margin):
        return "equal"
    return "worse" if worse else "better" if better else "undecided"


def _tests(
    how: Asked, change: Change, forces: Sequence[ForceChange]
) -> tuple[list[float], list[float]]:
    """Give p of *worse* and of *better*, over all and at each force; 1 where none was made."""
    parts = [(change.difference.p_more, change.difference.p_less)]
    parts += [(one.p_more, one.p_less) for one in forces]
    worse, better = (
        [1.0 if math.isnan(p) else p for p in (way(how, *both) for both in parts)]
        for way in (_p_worse, _p_better)
    )
    return worse, better


def _shared(p: Sequence[float]) -> list[float]:
    """Correct p over all and p at each force for their shares of the risk."""
    if len(p) == 1:
        return [p[0]]
    return [min(1.0, p[0] / (1.0 - AT_FORCES)), *(min(1.0, one / AT_FORCES) for one in p[1:])]


def _corrected(p: Sequence[float], least: float, measures: int) -> list[float]:
    """Correct p of a measure, over all and at each force, by all measures.

    ``least`` is the least one's. Once that over all or that at a force is shown, the other has the
    measure's whole share of the risk.
    """
    shared = _shared(p)
    first = min(shared)
    times = least / first if first > 0.0 and least < 1.0 else float(measures)
    rest = [p[0], *shared[1:]] if shared[0] > first else [shared[0], *p[1:]]
    return [
        least if own == first else max(least, min(1.0, times * other))
        for own, other in zip(shared, rest, strict=True)
    ]


def _at_force(
    one: ForceChange, how: Asked, risk: float, p_worse: float, p_better: float
) -> AtForce:
    verdict = _verdict(one.difference, how, p_worse <= risk, p_better <= risk)
    if how.forces == "shown" and verdict == "equal":
        verdict = "undecided"
    return AtForce(
        force=one.force,
        before=one.before,
        after=one.after,
        difference=one.difference.value,
        low=one.low,
        high=one.high,
        verdict=verdict,
        p_worse=p_worse,
        p_better=p_better,
        count_before=one.counts[0],
        count_after=one.counts[1],
        method=one.difference.method,
    )


def _small(difference: Difference, how: Asked) -> bool:
    """Whether what was found is no worse than the margin."""
    worse = -difference.value if how.better == "more" else difference.value
    return worse < how.margin


def _with_forces(
    own: Verdict, how: Asked, parts: Sequence[AtForce], forces: Sequence[ForceChange]
) -> Verdict:
    words = {one.verdict for one in parts}
    if own == "worse" or "worse" in words:
        return "worse"
    if own == "undecided" or not parts:
        return own
    gained = own == "better" or "better" in words
    if how.forces == "shown":
        return "better" if gained else own
    if gained and all(one.difference.high_tost < how.margin for one in forces):
        return "better"
    return "equal" if words == {"equal"} and own == "equal" else "undecided"


def _needed(name: str, raw: Change, how: Asked, risk: float, target: float) -> int:
    if name in LIMITS and not all(map(math.isfinite, (raw.difference.low, raw.difference.high))):
        # more strokes of the same kind don't close an end that is open
        return 0
    if name == RATE:
        before, after = raw.counts
        events = raw.events[0] if raw.events else 0
        return seconds_needed(events, (before, after), how.margin, risk, target)
    return strokes_needed(raw, how.margin, risk, target)
