"""What a search may look at between two bursts."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

from rig.board_facts import BoardEvent
from rig.record.plan import Plan


@dataclasses.dataclass(frozen=True, kw_only=True)
class SoFar:
    """A run up to now.

    Attributes
    ----------
    plan
        Everything that can be struck.
    struck
        Bursts struck so far, in order.
    events
        Burst to the board's events during it; impacts and DIN bytes among them.
    strike_ticks
        Row of the plan to the tick of its coil.
    remark
        Writes a sentence into the record.
    """

    plan: Plan
    struck: tuple[int, ...]
    events: dict[int, list[BoardEvent]]
    strike_ticks: dict[int, int]
    remark: Callable[[str], None]


NextBurst = Callable[[SoFar], int | None]
