"""What the simulated board does by itself: time, interlocks, trips, pulses and events.

Time comes in as true seconds; the board lives in ticks of its own crystal.
"""

from __future__ import annotations

import collections
import math
from collections.abc import Callable, Iterator

import numpy as np

from rig.link.messages import (
    BOARD_RULES,
    LONE_MARKER,
    EventKind,
    Interlock,
    State,
    Trip,
)
from rig.record.limits import TICKS_PER_S
from rig.simulation.board_limits import hard_limits
from rig.simulation.board_pins import TICKS_PER_MS, Contacts, Inputs, World
from rig.simulation.event_ring import EventRing
from rig.simulation.host_frames import HostFrames
from rig.simulation.strike_queue import MARKER_TICKS, StrikeQueue

DIN_STAMP_SPREAD_S = 4e-6
"""The board samples the line 16 times a bit and stamps in an interrupt: late by up to this."""

NEVER = 1 << 62
IN_PLAY = (State.ARMED, State.STRIKING)
_POWER_ON, _EXTERNAL, _WATCHDOG = 1, 2, 8
TRIP_OF = {
    Interlock.ESTOP: Trip.ESTOP_OPEN,
    Interlock.GUARD: Trip.GUARD_OPEN,
    Interlock.SUPPLY: Trip.SUPPLY,
}
_LATCHING = (Interlock.ESTOP, Interlock.COILS_QUIET)
"""These trip in ready too."""


class BoardMachine:
    """The board as far as nobody asks it anything.

    Parameters
    ----------
    world
        What it acts on.
    ppm
        Error of its crystal; positive runs fast.
    start_s
        True time of its tick 0. Before true time 0: its contacts are settled by then.
    inputs
        What it senses at the start.
    script
        Inputs that change by themselves: (true time, name, value) as for ``set_input``.
    rng
        For the spread of DIN stamps.
    """

    def __init__(
        self,
        world: World,
        *,
        ppm: float = 0.0,
        start_s: float = -1.0,
        inputs: Inputs | None = None,
        script: list[tuple[float, str, float]] | None = None,
        rng: np.random.Generator | None = None,
    ) -> None:
        self._world = world
        self._ticks_per_s = TICKS_PER_S * (1.0 + ppm * 1e-6)
        self._script = collections.deque(sorted(script or ()))
        self._rng = rng or np.random.default_rng(0)
        self.contacts = Contacts(inputs or Inputs())
        self.queue = StrikeQueue(hard_limits())
        self._now_s = 0.0
        self._world_s = 0.0
        self._hung = False
        self._start_up(start_s, _POWER_ON)
        if start_s < 0:
            self.contacts.settle_now()

    def _start_up(self, boot_s: float, cause: int) -> None:
        self.boot_s = boot_s
        self.reset_cause = cause
        self.state = State.SAFE
        self.trip_code = Trip.NONE
        self.limits = hard_limits()
        self.agreed = False
        self.queue.restart(self.limits)
        self.strikes_left = 0
        self.ring = EventRing()
        self._pulses: dict[int, int] = {}  # coil, or lone marker, to the tick of its end
        self._armed_until = NEVER
        self._frames = HostFrames()
        self._use_supply_range()
        self.contacts.restart(self.now_ticks)

    # time

    def ticks_at(self, at_s: float) -> int:
        """Ticks of the board at a true time."""
        return math.floor((at_s - self.boot_s) * self._ticks_per_s)

    def seconds_at(self, ticks: int) -> float:
        """True time of a tick."""
        return self.boot_s + ticks / self._ticks_per_s

    @property
    def now_ticks(self) -> int:
        """Ticks now."""
        return self.ticks_at(self._now_s)

    def advance(self, to_s: float) -> None:
        """Let the board go on to a true time (never back)."""
        while self._script and self._script[0][0] <= to_s:
            at_s, name, value = self._script.popleft()
            self._run(max(at_s, self._now_s))
            self.set_input(name, value)
        self._run(to_s)

    def _run(self, to_s: float) -> None:
        self._now_s = max(self._now_s, to_s)
        if self._hung:
            return
        end = self.now_ticks
        while True:
            at, act = min(self._next_acts(), key=lambda item: item[0], default=(NEVER, None))
            if act is None or at > end:
                return
            act(at)

    def _next_acts(self) -> Iterator[tuple[int, Callable[[int], None]]]:
        if self.state is State.STRIKING and (start := self.queue.next_start) is not None:
            yield start, self._strike
        if self._pulses:
            yield min(self._pulses.values()), self._end_pulse
        if self.state in IN_PLAY:
            yield self._armed_until, self._stand_down
        if self.state in (State.READY, *IN_PLAY):
            yield self._frames.heard_ticks + self._silence_ticks, self._host_silent
        if (due := self.contacts.currents.next_due) is not None:
            yield due, self._current_overdue
        if (due := self.contacts.next_due) is not None:
            yield due, self._settle

    # inputs

    @property
    def hung(self) -> bool:
        """The program hangs, so it answers nothing."""
        return self._hung

    def set_input(self, name: str, value: float) -> None:
        """Change an input now: a field of ``Inputs``, or the events ``reset`` and ``hang``."""
        if name == "reset":
            self._reset(_EXTERNAL)
        elif name == "hang":
            self._hung = True
            bite = (self._now_s + BOARD_RULES["watchdog_ms"] / 1000, "watchdog", 0.0)
            self._script = collections.deque(sorted([*self._script, bite]))
        elif name == "watchdog":
            self._hung = False
            self._reset(_WATCHDOG)
        else:
            inputs = self.contacts.inputs
            setattr(inputs, name, type(getattr(inputs, name))(value))
            if self._hung and not inputs.estop_closed:
                self.power_lost()  # the contacts themselves break the coil supply
            elif not self._hung:
                self.contacts.sense(self.now_ticks)
                self._settle(self.now_ticks)

    def _use_supply_range(self) -> None:
        self.contacts.supply_range_mv = (self.limits.supply_least_mv, self.limits.supply_most_mv)

    def _settle(self, at: int, current_trip: Trip = Trip.COIL_ON_UNASKED) -> None:
        """Let interlocks change, and trip if one opened."""
        for bit, closed in self.contacts.settle(at):
            self.ring.add(EventKind.INTERLOCK, bit | closed << 7, at)
            if closed:
                continue
            if self.state in IN_PLAY or (self.state is State.READY and bit in _LATCHING):
                self.trip(TRIP_OF.get(bit, current_trip), at)
            elif self.state is State.READY:
                self._enter(State.SAFE, at)

    def _current_overdue(self, at: int) -> None:
        """A current that flows on, long after its pulse, opens its interlock."""
        self.contacts.currents.take_overdue(at)
        self.contacts.sense(at)
        self._settle(at, Trip.ON_TIME if self.state in IN_PLAY else Trip.COIL_ON_UNASKED)

    def power_lost(self) -> None:
        """The coils lose their supply, or their drive, now."""
        for number, end in self._pulses.items():
            if number != LONE_MARKER and end > self.now_ticks:
                self._world.coil_cut(number, self._now_s)

    def _reset(self, cause: int) -> None:
        in_play = self.state in IN_PLAY
        self.power_lost()
        self._start_up(self._now_s, cause)
        if in_play:
            self.trip(Trip.PROGRAM_HANG if cause == _WATCHDOG else Trip.RESET_IN_RUN, 0)

    # states

    def _enter(self, state: State, at: int) -> None:
        if state is not self.state:
            self.state = state
            self.ring.add(EventKind.STATE, state, at)

    def trip(self, code: Trip, at: int) -> None:
        """Coils off first, then the queue, then the reason; the first one stays."""
        if self.state is State.TRIPPED:
            return
        self._drop_burst(at)
        self.trip_code = code
        self.ring.add(EventKind.TRIP, code, at)
        self._enter(State.TRIPPED, at)

    def _pulse_ended(self, coil: int, at: int) -> None:
        flows = bool(self.contacts.inputs.coil_stuck >> coil & 1)
        self.contacts.currents.pulse_ends(coil, at, flows=flows)

    def _drop_burst(self, at: int) -> None:
        running = {number for number in self._pulses if number != LONE_MARKER}
        for coil in sorted(running):
            self._world.coil_cut(coil, max(self.seconds_at(at), self._world_s))
            self._pulse_ended(coil, at)
            self.ring.add(EventKind.COIL_OFF, coil, at)
        self._pulses.clear()
        self.queue.clear(at, running)
        self.strikes_left = 0

    def _stand_down(self, at: int) -> None:
        self._drop_burst(at)
        self._enter(State.READY, at)

    @property
    def _silence_ticks(self) -> int:
        return self.limits.host_silence_ms * TICKS_PER_MS + 1

    def _host_silent(self, at: int) -> None:
        if self.state in IN_PLAY:
            self.trip(Trip.HOST_SILENT, at)
        else:
            self._enter(State.SAFE, at)

    def frame_came(self, good: bool) -> None:
        """Count a frame, good or damaged; a flood trips."""
        now = self.now_ticks
        flood = self._frames.count(good, now)
        if flood is not None and self.state in IN_PLAY:
            self.trip(flood, now)

    def all_interlocks(self) -> int:
        """Bits of all interlocks, host and limits too."""
        alive = self.now_ticks - self._frames.heard_ticks < self._silence_ticks
        return self.contacts.closed | alive << Interlock.HOST | self.agreed << Interlock.LIMITS

    # bursts

    def _strike(self, at: int) -> None:
        if self.queue.next_too_hot(at):
            self.trip(Trip.HEAT, at)
            return
        strike = self.queue.take()
        coil = strike.coil
        self.strikes_left -= 1
        on_s = self.seconds_at(at)
        self._world.marker(on_s, MARKER_TICKS[coil] / self._ticks_per_s)
        if coil == LONE_MARKER:
            self.ring.add(EventKind.MARKER, LONE_MARKER, at)
            self._pulses[LONE_MARKER] = at + MARKER_TICKS[LONE_MARKER]
            return
        end = at + strike.width
        if self.contacts.inputs.timer_stuck:
            # found in the first millisecond after the longest pulse
            end = at + self.limits.coils[coil].longest_pulse_ticks + TICKS_PER_MS
        if not self.contacts.inputs.coil_dead >> coil & 1:
            self._world.coil_on(coil, on_s, self.seconds_at(end))
        self._pulses[coil] = end
        self.contacts.currents.pulse_begins(coil)
        self.ring.add(EventKind.COIL_ON, coil, at)

    def _end_pulse(self, at: int) -> None:
        number = min(self._pulses, key=self._pulses.__getitem__)
        del self._pulses[number]
        if number != LONE_MARKER:
            self._pulse_ended(number, at)
            self.ring.add(EventKind.COIL_OFF, number, at)
            if self.contacts.inputs.timer_stuck:
                self.trip(Trip.ON_TIME, at)
            elif self.contacts.inputs.coil_dead >> number & 1:
                self.trip(Trip.COIL_DEAD, at)
        if self.state is not State.STRIKING or len(self.queue):
            return
        if self.strikes_left:
            self.trip(Trip.QUEUE_DRY, at)
        elif not self._pulses:
            self.ring.add(EventKind.BURST_END, 0, at)
            self._enter(State.ARMED, at)

    def gather(self) -> None:
        """Let the world catch up, and put all events since the last call into the ring."""
        self._world.advance(self._now_s)
        self._world_s = self._now_s
        for at_s, pickup in self._world.take_impacts():
            self._stamp(EventKind.IMPACT, pickup, at_s)
        for at_s, byte in self._world.take_din():
            late_s = DIN_STAMP_SPREAD_S * self._rng.random()
            self._stamp(EventKind.DIN_BYTE, byte, at_s + late_s)
        if self.ring.gather() and self.state in IN_PLAY:
            self.trip(Trip.EVENT_OVERFLOW, self.now_ticks)
            self.ring.gather()

    def _stamp(self, kind: EventKind, value: int, at_s: float) -> None:
        ticks = self.ticks_at(at_s)
        if ticks >= 0:  # what came before the board was up is not heard
            self.ring.add(kind, value, ticks)
