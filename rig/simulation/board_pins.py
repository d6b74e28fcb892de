"""What hangs on the board's pins: the world that it acts on, and the inputs that it senses."""

from __future__ import annotations

import dataclasses
from typing import Protocol

from rig.link.messages import BOARD_RULES, Interlock
from rig.record.limits import TICKS_PER_S
from rig.simulation.board_currents import Currents

TICKS_PER_MS = TICKS_PER_S // 1000
SENSED = (Interlock.ESTOP, Interlock.GUARD, Interlock.SUPPLY, Interlock.COILS_QUIET)
"""Interlocks that are inputs; the others are known from the requests."""

_ALL_CLOSED = sum(1 << bit for bit in SENSED)


class World(Protocol):
    """What the board acts on and listens to; true time in seconds."""

    def coil_on(self, coil: int, on_s: float, off_s: float) -> None:
        """A pulse begins; it will end at ``off_s``."""

    def coil_cut(self, coil: int, at_s: float) -> None:
        """A running pulse ends early."""

    def marker(self, on_s: float, width_s: float) -> None:
        """A marker goes out."""

    def advance(self, to_s: float) -> None:
        """Let the world go on to ``to_s``."""

    def take_impacts(self) -> list[tuple[float, int]]:
        """Impacts since the last call: (time, pickup)."""

    def take_din(self) -> list[tuple[float, int]]:
        """Bytes on the DIN line since the last call: (time of the start bit, byte)."""


@dataclasses.dataclass
class Inputs:
    """What the board senses from outside."""

    estop_closed: bool = True
    guard_closed: bool = True
    supply_mv: int = 24_000
    coil_stuck: int = 0
    """Bit a coil: current flows whatever the coil does."""
    coil_dead: int = 0
    """Bit a coil: draws no current."""
    timer_stuck: bool = False
    """Pulses don't end by themselves."""
    loop_bridged: bool = False
    """The e-stop loop's end is short to ground: it looks closed, and no switch could open it."""


class Contacts:
    """Inputs made into interlocks: open at once (the supply after its debounce), closed later.

    Attributes
    ----------
    closed
        Bit an interlock of ``SENSED``: set where it counts as closed.
    """

    def __init__(self, inputs: Inputs) -> None:
        self.inputs = inputs
        self.supply_range_mv = (0, 0xFFFF)
        self.currents = Currents()
        self.closed = 0
        self._due: dict[Interlock, int] = {}

    @property
    def all_closed(self) -> bool:
        """Every one counts as closed."""
        return self.closed == _ALL_CLOSED

    @property
    def next_due(self) -> int | None:
        """Tick at which a debounce ends; None without one."""
        return min(self._due.values(), default=None)

    def restart(self, now: int) -> None:
        """Nothing counts as closed yet."""
        self.closed = 0
        self._due.clear()
        self.currents = Currents()
        self.sense(now)

    def settle_now(self) -> None:
        """Everything counts as it is: the contacts have been as they are for long."""
        self.closed = self._sensed()
        self._due.clear()

    def _sensed(self) -> int:
        least_mv, most_mv = self.supply_range_mv
        inputs = self.inputs
        return (
            inputs.estop_closed << Interlock.ESTOP
            | inputs.guard_closed << Interlock.GUARD
            | (least_mv <= inputs.supply_mv <= most_mv) << Interlock.SUPPLY
            | (inputs.coil_stuck & ~self.currents.asked == 0) << Interlock.COILS_QUIET
        )

    def sense(self, now: int) -> None:
        """Compare inputs and interlocks, start or drop debounces; ``settle`` says what changed."""
        sensed = self._sensed()
        for bit in SENSED:
            closed = sensed >> bit & 1
            if closed == self.closed >> bit & 1:
                self._due.pop(bit, None)
            elif closed:
                self._due.setdefault(bit, now + BOARD_RULES["close_debounce_ms"] * TICKS_PER_MS)
            elif bit is Interlock.SUPPLY:
                self._due.setdefault(bit, now + BOARD_RULES["supply_debounce_ms"] * TICKS_PER_MS)
            else:
                self._due[bit] = now

    def settle(self, now: int) -> list[tuple[Interlock, bool]]:
        """Interlocks that change by ``now``: (which, whether it closed)."""
        changed = []
        for bit in [bit for bit, due in self._due.items() if due <= now]:
            del self._due[bit]
            self.closed ^= 1 << bit
            changed.append((bit, bool(self.closed >> bit & 1)))
        return changed
