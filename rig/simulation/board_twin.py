"""A model of the controller board in virtual time: what it does with each request.

It follows ``rig/link/BOARD.md`` sentence by sentence; the conformance tests hold it and the
firmware to the same page. ``board_answers`` puts frames around it.
"""

from __future__ import annotations

from rig.link.messages import BOARD_RULES, Interlock, Refusal, State, Trip
from rig.record.limits import AgreedLimits
from rig.simulation.board_limits import clamped
from rig.simulation.board_machine import IN_PLAY, NEVER, TRIP_OF, BoardMachine
from rig.simulation.board_pins import TICKS_PER_MS

_INTERLOCK_OF = {
    **{trip: bit for bit, trip in TRIP_OF.items()},
    Trip.COIL_ON_UNASKED: Interlock.COILS_QUIET,
    Trip.ON_TIME: Interlock.COILS_QUIET,
}


class BoardTwin(BoardMachine):
    """The board."""

    def agree(self, asked: AgreedLimits) -> Refusal:
        """Take new limits."""
        if self.state is not State.SAFE:
            return Refusal.WRONG_STATE
        if len(asked.coils) != len(self.queue.coils):
            return Refusal.BAD_BODY
        self.limits = clamped(asked)
        self.agreed = True
        self.queue.use(self.limits, self.now_ticks)
        self._use_supply_range()
        self.contacts.sense(self.now_ticks)
        return Refusal.DONE

    def ready(self) -> Refusal:
        """Go to ready."""
        if self.state not in (State.SAFE, State.READY):
            return Refusal.WRONG_STATE
        if not self.agreed:
            return Refusal.LIMITS_NOT_AGREED
        if not self.contacts.all_closed or self.contacts.inputs.loop_bridged:
            return Refusal.INTERLOCK_OPEN
        self._enter(State.READY, self.now_ticks)
        return Refusal.DONE

    def arm(self, armed_ms: int) -> Refusal:
        """Arm, or renew the time."""
        if self.state not in (State.READY, *IN_PLAY):
            return Refusal.WRONG_STATE
        if armed_ms == 0:
            return Refusal.BAD_BODY
        if not self.contacts.all_closed:
            return Refusal.INTERLOCK_OPEN
        now = self.now_ticks
        self._armed_until = now + min(armed_ms, self.limits.armed_ms) * TICKS_PER_MS
        if self.state is State.READY:
            self._enter(State.ARMED, now)
        return Refusal.DONE

    def disarm(self) -> Refusal:
        """Coils off, burst dropped."""
        if self.state is State.TRIPPED:
            return Refusal.WRONG_STATE
        if self.state in IN_PLAY:
            self._stand_down(self.now_ticks)
        return Refusal.DONE

    def reset_trip(self) -> Refusal:
        """Leave tripped if the cause is gone."""
        if self.state is not State.TRIPPED:
            return Refusal.WRONG_STATE
        bit = _INTERLOCK_OF.get(self.trip_code)
        open_still = bit is not None and not self.contacts.closed >> bit & 1
        if open_still or (self.trip_code is Trip.HEAT and self.queue.too_hot(self.now_ticks)):
            return Refusal.CAUSE_REMAINS
        self.trip_code = Trip.NONE
        self._enter(State.SAFE, self.now_ticks)
        return Refusal.DONE

    def load(self, start32: int, width: int, coil: int) -> Refusal:
        """Queue one strike."""
        if self.state not in IN_PLAY:
            return Refusal.WRONG_STATE
        most = self.strikes_left if self.state is State.STRIKING else NEVER
        return self.queue.load(start32, width, coil, now=self.now_ticks, most=most)

    def begin(self, strikes: int) -> Refusal:
        """Begin a burst."""
        if self.state is not State.ARMED:
            return Refusal.WRONG_STATE
        first = self.queue.next_start
        if first is None:
            return Refusal.NOTHING_LOADED
        if strikes < len(self.queue):
            return Refusal.BAD_BODY
        now = self.now_ticks
        if first - now < BOARD_RULES["least_lead_ticks"]:
            self.trip(Trip.LATE, now)
            return Refusal.IN_THE_PAST
        self.strikes_left = strikes
        self._enter(State.STRIKING, now)
        return Refusal.DONE
