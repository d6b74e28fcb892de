"""Coil currents as the board explains them to itself: by a pulse, or by none."""

from __future__ import annotations

SETTLE_TICKS = 10_000
"""Current has died down so long after a pulse."""


class Currents:
    """Remembers which coils may carry current.

    Attributes
    ----------
    asked
        Bit a coil: a pulse explains its current.
    """

    def __init__(self) -> None:
        self.asked = 0
        self._overdue: dict[int, int] = {}

    def pulse_begins(self, coil: int) -> None:
        """From now on current is due."""
        self.asked |= 1 << coil
        self._overdue.pop(coil, None)

    def pulse_ends(self, coil: int, at: int, *, flows: bool) -> None:
        """Current dies down; where it still ``flows`` in a while, none explains it."""
        if flows:
            self._overdue[coil] = at + SETTLE_TICKS
        else:
            self.asked &= ~(1 << coil)

    @property
    def next_due(self) -> int | None:
        """Tick at which a current is overdue; None without one."""
        return min(self._overdue.values(), default=None)

    def take_overdue(self, at: int) -> None:
        """Explain no longer what is overdue at a tick."""
        for coil in [coil for coil, due in self._overdue.items() if due <= at]:
            del self._overdue[coil]
            self.asked &= ~(1 << coil)
