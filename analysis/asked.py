"""What builds are compared in: each measure with its margin, and which way is better."""

from __future__ import annotations

import dataclasses
from typing import Any, Literal

from rig.record.measure_names import COMPARED_UNITS

Better = Literal["less", "more", "same"]


@dataclasses.dataclass(frozen=True, kw_only=True)
class Asked:
    """How one measure is compared.

    Attributes
    ----------
    unit, margin
        Unit token, and the smallest difference that matters, in it.
    better
        Which way is better; ``same``: any shown change counts as worse (the velocity is to stay
        as it was).
    forces
        How it is judged at each force too. ``equal``: equal only if it is at each of them.
        ``shown``: a change shown at one of them counts, but some ten strokes can't show a share or
        a latency under a polling clock to be equal. Empty: over all alone.
    counted
        What its counts are of.
    needed
        Whether it holds up the verdict over all wherever it is undecided; else only where the
        difference found is beyond the margin.
    """

    unit: str
    margin: float
    better: Better = "less"
    forces: Literal["", "equal", "shown"] = ""
    counted: str = "strokes"
    needed: bool = True


_HOW: dict[str, tuple[float, dict[str, Any]]] = {
    "latency_median": (0.5, {"forces": "shown"}),
    "latency_sd": (0.5, {}),
    "latency_p95": (1.0, {}),
    "lost_share": (2.0, {"forces": "shown"}),
    "double_share": (2.0, {"forces": "shown"}),
    "velocity": (3.0, {"better": "same", "forces": "equal"}),
    "crosstalk_share": (2.0, {"forces": "shown"}),
    "crosstalk_level": (2.0, {}),
    "stray_rate": (60.0, {"counted": "s observed", "needed": False}),
    "resolvable_rate_95": (
        2.0,
        {"better": "more", "counted": "strokes in rolls", "needed": False},
    ),
    "flam_gap_95": (3.0, {"counted": "pairs", "needed": False}),
    "velocity_dead_zone": (0.5, {"needed": False}),
}

ASKED: dict[str, Asked] = {
    name: Asked(unit=COMPARED_UNITS[name], margin=margin, **how)
    for name, (margin, how) in _HOW.items()
}
"""Measures compared, each with the smallest difference that matters where no protocol says it."""

CROSSTALK = {"crosstalk_share": "crossed", "crosstalk_level": "crosstalk_db"}
"""Measures of runs with further zones, and the column that they come from."""
RATE = "stray_rate"
"""Of the notes of runs of which it is known how long they were listened to."""
LIMITS = ("resolvable_rate_95", "flam_gap_95", "velocity_dead_zone")
"""Compared by the figures of both runs, where both hold them."""
ALWAYS = tuple(name for name in ASKED if name not in (*CROSSTALK, RATE, *LIMITS))
"""Measures of any run's strokes."""
