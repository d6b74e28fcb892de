"""The board's queue of strikes: what is taken in, what is refused, and the heat of the coils."""

from __future__ import annotations

import collections
import dataclasses

from rig.link.messages import BOARD_RULES, HARD_LIMITS, LONE_MARKER, MARKERS_US, Refusal
from rig.record.limits import TICKS_PER_US, AgreedLimits
from rig.simulation.board_pins import TICKS_PER_MS

MARKER_TICKS = {
    **{coil: MARKERS_US[f"coil_{coil}"] * TICKS_PER_US for coil in range(3)},
    LONE_MARKER: MARKERS_US["alone"] * TICKS_PER_US,
}

_LONG_AGO = -(1 << 62)


@dataclasses.dataclass(frozen=True, slots=True)
class Strike:
    """A queued strike; its start is widened to 64 bits."""

    start: int
    width: int
    coil: int


@dataclasses.dataclass
class Coil:
    """Heat and memory of one coil."""

    heat_ticks: int = 0
    carry: int = 0
    queued_ticks: int = 0
    struck: tuple[int, int] = (_LONG_AGO, _LONG_AGO)
    """Start and end of its last pulse."""
    queued: tuple[int, int] = (_LONG_AGO, _LONG_AGO)
    """Of its last strike in the queue, or else as ``struck``."""


class StrikeQueue:
    """Strikes to come, in order of start.

    Parameters
    ----------
    limits
        In force until ``use``.
    """

    def __init__(self, limits: AgreedLimits) -> None:
        self.coils = [Coil() for _ in range(HARD_LIMITS["coil_count"])]
        self.restart(limits)

    def restart(self, limits: AgreedLimits) -> None:
        """As after a reset: all is forgotten but the heat."""
        self._limits = limits
        self._strikes: collections.deque[Strike] = collections.deque()
        self._last_struck: Strike | None = None
        self._leaks = False
        self._leaked_ms = 0
        for coil in self.coils:
            coil.queued_ticks = 0
            coil.struck = coil.queued = (_LONG_AGO, _LONG_AGO)

    def use(self, limits: AgreedLimits, now: int) -> None:
        """Take limits that were agreed; from now on heat leaks, since they say how fast."""
        self.leak(now)
        self._limits = limits
        self._leaks = True

    def __len__(self) -> int:
        return len(self._strikes)

    @property
    def free(self) -> int:
        """Room that is left."""
        return HARD_LIMITS["queue_length"] - len(self._strikes)

    @property
    def next_start(self) -> int | None:
        """Start of the next strike; None if there is none."""
        return self._strikes[0].start if self._strikes else None

    def clear(self, off: int, running: set[int]) -> None:
        """Drop everything; the pulses of the ``running`` coils have ended at ``off``."""
        self._strikes.clear()
        for number, coil in enumerate(self.coils):
            if number in running:
                coil.struck = (coil.struck[0], off)
            coil.queued_ticks = 0
            coil.queued = coil.struck

    def take(self) -> Strike:
        """Take the next strike out, for its coil goes on now: its width is heat from here on."""
        strike = self._strikes.popleft()
        self._last_struck = strike
        if strike.coil != LONE_MARKER:
            self.leak(strike.start)
            coil = self.coils[strike.coil]
            coil.queued_ticks -= strike.width
            coil.heat_ticks += strike.width
            coil.struck = (strike.start, strike.start + strike.width)
        return strike

    def next_too_hot(self, now: int) -> bool:
        """Whether the next strike would take its coil above its budget."""
        strike = self._strikes[0]
        if strike.coil == LONE_MARKER:
            return False
        self.leak(now)
        budget = self._limits.coils[strike.coil].heat_budget_ticks
        return self.coils[strike.coil].heat_ticks + strike.width > budget

    def too_hot(self, now: int) -> bool:
        """Whether any coil is above its budget."""
        self.leak(now)
        return any(
            coil.heat_ticks > limits.heat_budget_ticks
            for coil, limits in zip(self.coils, self._limits.coils, strict=True)
        )

    def leak(self, now: int) -> None:
        """Bring the heat of all coils up to a tick, whole milliseconds at a time."""
        now_ms = now // TICKS_PER_MS
        passed, self._leaked_ms = now_ms - self._leaked_ms, now_ms
        if not self._leaks:
            return
        for coil, limits in zip(self.coils, self._limits.coils, strict=True):
            constant_ms = limits.heat_time_constant_ms
            heat, carry = coil.heat_ticks, coil.carry
            for _ in range(passed):
                if heat == 0:
                    break
                carry += heat
                lost = carry // constant_ms
                heat -= lost
                carry -= lost * constant_ms
            coil.heat_ticks, coil.carry = heat, carry

    def load(self, start32: int, width: int, coil: int, *, now: int, most: int) -> Refusal:
        """Queue one strike.

        Parameters
        ----------
        start32, width, coil
            As in the ``load`` message.
        now
            Ticks now; the low 32 bits of the start are signed from here.
        most
            Strikes that the queue may hold for the burst's sake.
        """
        ahead = (start32 - now + (1 << 31)) % (1 << 32) - (1 << 31)
        strike = Strike(now + ahead, width, coil)
        refusal = self._refusal(strike, ahead, now, most)
        if refusal is Refusal.DONE:
            self._strikes.append(strike)
            if coil != LONE_MARKER:
                self.coils[coil].queued = (strike.start, strike.start + width)
                self.coils[coil].queued_ticks += width
        return refusal

    def _refusal(self, strike: Strike, ahead: int, now: int, most: int) -> Refusal:
        lone = strike.coil == LONE_MARKER
        if not self.free:
            return Refusal.QUEUE_FULL
        if not lone and strike.coil >= len(self.coils):
            return Refusal.NO_SUCH_COIL
        if strike.width == 0 or len(self._strikes) >= most:
            return Refusal.BAD_BODY
        if not lone and strike.width > self._limits.coils[strike.coil].longest_pulse_ticks:
            return Refusal.PULSE_TOO_LONG
        if ahead < BOARD_RULES["least_lead_ticks"]:
            return Refusal.IN_THE_PAST
        if ahead > self._limits.horizon_ms * TICKS_PER_MS:
            return Refusal.TOO_FAR_AHEAD
        last = self._strikes[-1] if self._strikes else self._last_struck
        if last is not None:
            if strike.start < last.start:
                return Refusal.OUT_OF_ORDER
            marker_end = last.start + MARKER_TICKS[last.coil]
            if strike.start < marker_end + BOARD_RULES["marker_rest_ticks"]:
                return Refusal.GAP_TOO_SHORT
        return Refusal.DONE if lone else self._coil_refusal(strike, now)

    def _coil_refusal(self, strike: Strike, now: int) -> Refusal:
        coil, limits = self.coils[strike.coil], self._limits.coils[strike.coil]
        last_start, last_end = coil.queued
        if (
            strike.start - last_start < limits.least_gap_ticks
            or strike.start - last_end < BOARD_RULES["rest_ticks"]
        ):
            return Refusal.GAP_TOO_SHORT
        self.leak(now)
        if coil.heat_ticks + coil.queued_ticks + strike.width > limits.heat_budget_ticks:
            return Refusal.HEAT_BUDGET
        return Refusal.DONE
