"""A model of the controller board in virtual time: states, trips, strikes, events, heat.

It follows ``rig/link/BOARD.md`` sentence by sentence; the conformance tests hold it and the
firmware to the same page. Time comes in as true seconds; the board lives in ticks of its own
crystal. ``board_answers`` puts frames around it.
"""

from __future__ import annotations

import collections
import dataclasses
import math
from collections.abc import Callable, Iterator
from typing import Protocol

import numpy as np

from rig.link.messages import (
    BOARD_RULES,
    HARD_LIMITS,
    LONE_MARKER,
    MARKERS_US,
    EventKind,
    Interlock,
    Refusal,
    State,
    Trip,
)
from rig.record.limits import TICKS_PER_S, TICKS_PER_US, AgreedLimits, CoilLimits

TICKS_PER_MS = TICKS_PER_S // 1000
DIN_STAMP_SPREAD_S = 4e-6
"""The board samples the line 16 times a bit and stamps in an interrupt: late by up to this."""

_NEVER = 1 << 62
_IN_PLAY = (State.ARMED, State.STRIKING)
_MARKER_TICKS = {
    **{coil: MARKERS_US[f"coil_{coil}"] * TICKS_PER_US for coil in range(3)},
    LONE_MARKER: MARKERS_US["alone"] * TICKS_PER_US,
}


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
    """What the board senses from outside; scripts and tests set it through ``set_input``."""

    estop_closed: bool = True
    guard_closed: bool = True
    supply_mv: int = 24_000
    coil_stuck: int = 0
    """Bit a coil: sensed on without being asked."""
    coil_dead: int = 0
    """Bit a coil: draws no current."""
    timer_stuck: bool = False
    """Pulses don't end by themselves."""


@dataclasses.dataclass
class Coil:
    """Heat and memory of one coil."""

    heat_ticks: int = 0
    carry: int = 0
    queued_ticks: int = 0
    struck: tuple[int, int] = (-_NEVER, -_NEVER)
    """Start and end of its last pulse."""
    queued: tuple[int, int] = (-_NEVER, -_NEVER)
    """Of its last strike in the queue, or else as ``struck``."""


@dataclasses.dataclass(frozen=True, slots=True)
class Strike:
    """A queued strike."""

    start: int
    width: int
    coil: int


def hard_limits() -> AgreedLimits:
    """Limits in force before any are agreed on."""
    coil = CoilLimits(
        longest_pulse_ticks=HARD_LIMITS["longest_pulse_ticks"],
        least_gap_ticks=HARD_LIMITS["least_gap_ticks"],
        heat_time_constant_ms=HARD_LIMITS["heat_time_constant_least_ms"],
        heat_budget_ticks=HARD_LIMITS["heat_budget_ticks"],
    )
    return clamped(
        AgreedLimits(
            coils=(coil,) * HARD_LIMITS["coil_count"],
            armed_ms=HARD_LIMITS["armed_ms"],
            host_silence_ms=HARD_LIMITS["host_silence_ms"],
            horizon_ms=HARD_LIMITS["horizon_ms"],
            supply_least_mv=HARD_LIMITS["supply_least_mv"],
            supply_most_mv=HARD_LIMITS["supply_most_mv"],
        )
    )


def clamped(asked: AgreedLimits) -> AgreedLimits:
    """Limits as the board keeps them: each figure no looser than its hard constant."""
    coils = []
    for coil in asked.coils:
        constant_ms = max(coil.heat_time_constant_ms, HARD_LIMITS["heat_time_constant_least_ms"])
        coils.append(
            CoilLimits(
                longest_pulse_ticks=min(
                    coil.longest_pulse_ticks, HARD_LIMITS["longest_pulse_ticks"]
                ),
                least_gap_ticks=max(coil.least_gap_ticks, HARD_LIMITS["least_gap_ticks"]),
                heat_time_constant_ms=constant_ms,
                heat_budget_ticks=min(
                    coil.heat_budget_ticks,
                    HARD_LIMITS["heat_budget_ticks"],
                    constant_ms * HARD_LIMITS["heat_ticks_per_time_constant_ms"],
                ),
            )
        )
    return AgreedLimits(
        coils=tuple(coils),
        armed_ms=min(asked.armed_ms, HARD_LIMITS["armed_ms"]),
        host_silence_ms=min(asked.host_silence_ms, HARD_LIMITS["host_silence_ms"]),
        horizon_ms=min(asked.horizon_ms, HARD_LIMITS["horizon_ms"]),
        supply_least_mv=max(asked.supply_least_mv, HARD_LIMITS["supply_least_mv"]),
        supply_most_mv=min(asked.supply_most_mv, HARD_LIMITS["supply_most_mv"]),
    )


class BoardTwin:
    """The board.

    Parameters
    ----------
    world
        What it acts on.
    ppm
        Error of its crystal; positive runs fast.
    start_s
        True time of its tick 0; it has been powered since then, so contacts are settled.
    script
        Inputs that change by themselves: (true time, name of ``Inputs`` or ``reset`` or ``hang``,
        value).
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
        self.inputs = inputs or Inputs()
        self.coils = [Coil() for _ in range(HARD_LIMITS["coil_count"])]
        self._now_s = 0.0
        self._hung = False
        self._world_s = 0.0
        self._start_up(start_s, cause=1)
        self.interlocks = self._sensed()
        self._due.clear()

    def _start_up(self, boot_s: float, cause: int) -> None:
        self.boot_s = boot_s
        self.reset_cause = cause
        self.state = State.SAFE
        self.trip_code = Trip.NONE
        self.limits = hard_limits()
        self.agreed = False
        self.queue: collections.deque[Strike] = collections.deque()
        self.strikes_left = 0
        self.ring: collections.deque[tuple[int, int, int]] = collections.deque()
        self.ring_first = 0
        self.dropped_events = 0
        self.interlocks = 0
        self._due: dict[int, int] = {}
        self._pulses: dict[int, int] = {}
        self._marker_end = -_NEVER
        self._last_struck: Strike | None = None
        self._armed_until = _NEVER
        self._heard = 0
        self._second = 0
        self._good = self._bad = 0
        self._leaked_ms = 0
        self._pending: list[tuple[int, int, int]] = []
        for coil in self.coils:
            coil.queued_ticks = 0
            coil.struck = coil.queued = (-_NEVER, -_NEVER)
        self.restart_contacts()

    def restart_contacts(self) -> None:
        """As if it had been powered up only now: no interlock counts as closed yet."""
        self.interlocks = 0
        for bit in (Interlock.ESTOP, Interlock.GUARD, Interlock.SUPPLY, Interlock.COILS_QUIET):
            self._sense(bit, self.now_ticks)

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

    @property
    def answering(self) -> bool:
        """The program runs: neither hung nor starting up."""
        return not self._hung and self._now_s >= self.boot_s

    def advance(self, to_s: float) -> None:
        """Let the board go on to a true time (never back)."""
        while self._script and self._script[0][0] <= to_s:
            at_s, name, value = self._script.popleft()
            self._run(max(at_s, self._now_s))
            self.set_input(name, value)
        self._run(to_s)

    def _run(self, to_s: float) -> None:
        self._now_s = max(self._now_s, to_s)
        if not self.answering:
            return
        end = self.now_ticks
        while True:
            at, act = min(self._next_acts(), key=lambda item: item[0])
            if at > end:
                return
            act(at)

    def _next_acts(self) -> Iterator[tuple[int, Callable[[int], None]]]:
        yield _NEVER, self._never
        if self.state is State.STRIKING and self.queue:
            yield self.queue[0].start, self._strike
        if self._pulses:
            yield min(self._pulses.values()), self._end_pulse
        if self.state in _IN_PLAY:
            yield self._armed_until, self._expire
        if self.state in (State.READY, *_IN_PLAY):
            yield self._heard + self._silence_ticks, self._host_silent
        if self._due:
            bit = min(self._due, key=self._due.__getitem__)
            yield self._due[bit], self._settle

    def _never(self, at: int) -> None:
        raise AssertionError("the end of time")

    # inputs

    def set_input(self, name: str, value: float) -> None:
        """Change an input now; ``reset`` and ``hang`` are events."""
        if name == "reset":
            self._reset(self._now_s, cause=2)
            return
        if name == "hang":
            self._hung = True
            bite = (self._now_s + BOARD_RULES["watchdog_ms"] / 1000, "watchdog", 0.0)
            self._script = collections.deque(sorted([*self._script, bite]))
            return
        if name == "watchdog":
            self._hung = False
            self._reset(self._now_s, cause=8)
            return
        kind = type(getattr(self.inputs, name))
        setattr(self.inputs, name, kind(value))
        if not self.answering and not self.inputs.estop_closed:
            self.power_lost()  # the contacts themselves break the coil supply
        if self.answering:
            now = self.now_ticks
            for bit in (Interlock.ESTOP, Interlock.GUARD, Interlock.SUPPLY, Interlock.COILS_QUIET):
                self._sense(bit, now)

    def _sensed(self) -> int:
        in_range = (
            self.limits.supply_least_mv <= self.inputs.supply_mv <= self.limits.supply_most_mv
        )
        return (
            self.inputs.estop_closed << Interlock.ESTOP
            | self.inputs.guard_closed << Interlock.GUARD
            | in_range << Interlock.SUPPLY
            | (self.inputs.coil_stuck == 0) << Interlock.COILS_QUIET
        )

    def _sense(self, bit: Interlock, now: int) -> None:
        """Compare one input with its interlock; start or drop its debounce."""
        closed, counted = self._sensed() >> bit & 1, self.interlocks >> bit & 1
        if closed == counted:
            self._due.pop(bit, None)
        elif closed:
            self._due.setdefault(bit, now + BOARD_RULES["close_debounce_ms"] * TICKS_PER_MS)
        elif bit is Interlock.SUPPLY:
            self._due.setdefault(bit, now + BOARD_RULES["supply_debounce_ms"] * TICKS_PER_MS)
        else:
            self._due[bit] = now
            self._settle(now)

    def _settle(self, at: int) -> None:
        """Let interlocks whose debounce is over change, and trip if one opened."""
        for bit in [bit for bit, due in self._due.items() if due <= at]:
            del self._due[bit]
            self.interlocks ^= 1 << bit
            closed = self.interlocks >> bit & 1
            self.event(EventKind.INTERLOCK, bit | closed << 7, at)
            if not closed:
                self._opened(Interlock(bit), at)

    def _opened(self, bit: Interlock, at: int) -> None:
        trip = {
            Interlock.ESTOP: Trip.ESTOP_OPEN,
            Interlock.GUARD: Trip.GUARD_OPEN,
            Interlock.SUPPLY: Trip.SUPPLY,
            Interlock.COILS_QUIET: Trip.COIL_ON_UNASKED,
        }[bit]
        latching = bit in (Interlock.ESTOP, Interlock.COILS_QUIET)
        if self.state in _IN_PLAY or (self.state is State.READY and latching):
            self.trip(trip, at)
        elif self.state is State.READY:
            self._enter(State.SAFE, at)

    def power_lost(self) -> None:
        """The coils lose their supply, or their drive, now."""
        for number, end in self._pulses.items():
            if number != LONE_MARKER and end > self.now_ticks:
                self._world.coil_cut(number, self._now_s)

    def _reset(self, at_s: float, cause: int) -> None:
        in_play = self.state in _IN_PLAY
        self.power_lost()
        self._start_up(at_s, cause)
        if in_play:
            self.trip_code = Trip.PROGRAM_HANG if cause == 8 else Trip.RESET_IN_RUN
            self.event(EventKind.TRIP, self.trip_code, 0)
            self._enter(State.TRIPPED, 0)

    # states

    def _enter(self, state: State, at: int) -> None:
        if state is not self.state:
            self.state = state
            self.event(EventKind.STATE, state, at)

    def trip(self, code: Trip, at: int) -> None:
        """Coils off first, then the queue, then the reason; the first one stays."""
        if self.state is State.TRIPPED:
            return
        self._drop_burst(at)
        self.trip_code = code
        self.event(EventKind.TRIP, code, at)
        self._enter(State.TRIPPED, at)

    def _drop_burst(self, at: int) -> None:
        for coil in sorted(self._pulses):
            if coil != LONE_MARKER:
                self._world.coil_cut(coil, max(self.seconds_at(at), self._world_s))
                self.coils[coil].struck = (self.coils[coil].struck[0], at)
                self.event(EventKind.COIL_OFF, coil, at)
        self._pulses.clear()
        self.queue.clear()
        self.strikes_left = 0
        for one in self.coils:
            one.queued_ticks = 0
            one.queued = one.struck

    def _expire(self, at: int) -> None:
        self._drop_burst(at)
        self._enter(State.READY, at)

    @property
    def _silence_ticks(self) -> int:
        return self.limits.host_silence_ms * TICKS_PER_MS + 1

    def _host_silent(self, at: int) -> None:
        if self.state in _IN_PLAY:
            self.trip(Trip.HOST_SILENT, at)
        else:
            self._enter(State.SAFE, at)

    def frame_came(self, good: bool) -> None:
        """Count a frame, good or damaged; a flood trips."""
        now = self.now_ticks
        if now // TICKS_PER_S != self._second:
            self._second = now // TICKS_PER_S
            self._good = self._bad = 0
        if good:
            self._good += 1
            self._heard = now
        else:
            self._bad += 1
        if self.state in _IN_PLAY:
            if self._bad > BOARD_RULES["crc_flood_per_s"]:
                self.trip(Trip.CRC_FLOOD, now)
            elif self._good > BOARD_RULES["frame_flood_per_s"]:
                self.trip(Trip.FRAME_FLOOD, now)

    def all_interlocks(self) -> int:
        """Bits of all interlocks, host and limits too."""
        alive = self.now_ticks - self._heard < self._silence_ticks
        return self.interlocks | alive << Interlock.HOST | self.agreed << Interlock.LIMITS

    # strikes

    def _strike(self, at: int) -> None:
        strike = self.queue.popleft()
        self.strikes_left -= 1
        self._last_struck = strike
        on_s = self.seconds_at(at)
        self._world.marker(on_s, _MARKER_TICKS[strike.coil] / self._ticks_per_s)
        if strike.coil == LONE_MARKER:
            self.event(EventKind.MARKER, LONE_MARKER, at)
            self._pulses[LONE_MARKER] = at + _MARKER_TICKS[LONE_MARKER]
            return
        limits, coil = self.limits.coils[strike.coil], self.coils[strike.coil]
        self.leak(at)
        coil.queued_ticks -= strike.width
        coil.heat_ticks += strike.width
        end = at + strike.width
        if self.inputs.timer_stuck:
            end = at + limits.longest_pulse_ticks + TICKS_PER_MS
        if not self.inputs.coil_dead >> strike.coil & 1:
            self._world.coil_on(strike.coil, on_s, self.seconds_at(end))
        self._pulses[strike.coil] = end
        coil.struck = (at, end)
        self.event(EventKind.COIL_ON, strike.coil, at)
        if coil.heat_ticks > limits.heat_budget_ticks:
            self.trip(Trip.HEAT, at)

    def _end_pulse(self, at: int) -> None:
        number = min(self._pulses, key=self._pulses.__getitem__)
        del self._pulses[number]
        if number != LONE_MARKER:
            self.event(EventKind.COIL_OFF, number, at)
            if self.inputs.timer_stuck:
                self.trip(Trip.ON_TIME, at)
            elif self.inputs.coil_dead >> number & 1:
                self.trip(Trip.COIL_DEAD, at)
        if self.state is not State.STRIKING or self.queue:
            return
        if self.strikes_left:
            self.trip(Trip.QUEUE_DRY, at)
        elif not self._pulses:
            self.event(EventKind.BURST_END, 0, at)
            self._enter(State.ARMED, at)

    def leak(self, at: int | None = None) -> None:
        """Bring the heat of all coils up to a tick (or now), whole milliseconds at a time."""
        now_ms = (self.now_ticks if at is None else at) // TICKS_PER_MS
        passed, self._leaked_ms = now_ms - self._leaked_ms, now_ms
        if not self.agreed:
            return  # how fast the coils cool is not known yet
        for coil, limits in zip(self.coils, self.limits.coils, strict=True):
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

    # requests

    def agree(self, asked: AgreedLimits) -> Refusal:
        """Take new limits."""
        if self.state is not State.SAFE:
            return Refusal.WRONG_STATE
        if len(asked.coils) != len(self.coils):
            return Refusal.BAD_BODY
        self.leak()
        self.limits = clamped(asked)
        self.agreed = True
        self._sense(Interlock.SUPPLY, self.now_ticks)
        return Refusal.DONE

    def _interlocks_closed(self) -> bool:
        wanted = (
            1 << Interlock.ESTOP
            | 1 << Interlock.GUARD
            | 1 << Interlock.SUPPLY
            | 1 << Interlock.COILS_QUIET
        )
        return self.interlocks & wanted == wanted

    def ready(self) -> Refusal:
        """Go to ready."""
        if self.state not in (State.SAFE, State.READY):
            return Refusal.WRONG_STATE
        if not self.agreed:
            return Refusal.LIMITS_NOT_AGREED
        if not self._interlocks_closed():
            return Refusal.INTERLOCK_OPEN
        self._enter(State.READY, self.now_ticks)
        return Refusal.DONE

    def arm(self, armed_ms: int) -> Refusal:
        """Arm, or renew the time."""
        if self.state not in (State.READY, *_IN_PLAY):
            return Refusal.WRONG_STATE
        if armed_ms == 0:
            return Refusal.BAD_BODY
        if not self._interlocks_closed():
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
        if self.state in _IN_PLAY:
            self._expire(self.now_ticks)
        return Refusal.DONE

    def reset_trip(self) -> Refusal:
        """Leave tripped if the cause is gone."""
        if self.state is not State.TRIPPED:
            return Refusal.WRONG_STATE
        bit = {
            Trip.ESTOP_OPEN: Interlock.ESTOP,
            Trip.GUARD_OPEN: Interlock.GUARD,
            Trip.SUPPLY: Interlock.SUPPLY,
            Trip.COIL_ON_UNASKED: Interlock.COILS_QUIET,
        }.get(self.trip_code)
        if bit is not None and not self.interlocks >> bit & 1:
            return Refusal.CAUSE_REMAINS
        self.trip_code = Trip.NONE
        self._enter(State.SAFE, self.now_ticks)
        return Refusal.DONE

    @property
    def queue_free(self) -> int:
        """Room in the queue."""
        return HARD_LIMITS["queue_length"] - len(self.queue)

    def load(self, start32: int, width: int, coil: int) -> Refusal:
        """Queue one strike."""
        if self.state not in _IN_PLAY:
            return Refusal.WRONG_STATE
        now = self.now_ticks
        ahead = (start32 - now + (1 << 31)) % (1 << 32) - (1 << 31)
        strike = Strike(now + ahead, width, coil)
        refusal = self._check_strike(strike, ahead)
        if refusal is Refusal.DONE:
            self.queue.append(strike)
            if coil != LONE_MARKER:
                self.coils[coil].queued = (strike.start, strike.start + width)
                self.coils[coil].queued_ticks += width
        return refusal

    def _check_strike(self, strike: Strike, ahead: int) -> Refusal:
        lone = strike.coil == LONE_MARKER
        if not self.queue_free:
            return Refusal.QUEUE_FULL
        if not lone and strike.coil >= len(self.coils):
            return Refusal.NO_SUCH_COIL
        full = self.state is State.STRIKING and len(self.queue) >= self.strikes_left
        if strike.width == 0 or full:
            return Refusal.BAD_BODY
        if not lone and strike.width > self.limits.coils[strike.coil].longest_pulse_ticks:
            return Refusal.PULSE_TOO_LONG
        if ahead < BOARD_RULES["least_lead_ticks"]:
            return Refusal.IN_THE_PAST
        if ahead > self.limits.horizon_ms * TICKS_PER_MS:
            return Refusal.TOO_FAR_AHEAD
        last = self.queue[-1] if self.queue else self._last_struck
        if last is not None:
            if strike.start < last.start:
                return Refusal.OUT_OF_ORDER
            marker_end = last.start + _MARKER_TICKS[last.coil]
            if strike.start < marker_end + BOARD_RULES["marker_rest_ticks"]:
                return Refusal.GAP_TOO_SHORT
        if not lone:
            coil, limits = self.coils[strike.coil], self.limits.coils[strike.coil]
            last_start, last_end = coil.queued
            if (
                strike.start - last_start < limits.least_gap_ticks
                or strike.start - last_end < BOARD_RULES["rest_ticks"]
            ):
                return Refusal.GAP_TOO_SHORT
            self.leak()
            heat_ticks = coil.heat_ticks + coil.queued_ticks + strike.width
            if heat_ticks > limits.heat_budget_ticks:
                return Refusal.HEAT_BUDGET
        return Refusal.DONE

    def begin(self, strikes: int) -> Refusal:
        """Begin a burst."""
        if self.state is not State.ARMED:
            return Refusal.WRONG_STATE
        if not self.queue:
            return Refusal.NOTHING_LOADED
        if strikes < len(self.queue):
            return Refusal.BAD_BODY
        now = self.now_ticks
        if self.queue[0].start - now < BOARD_RULES["least_lead_ticks"]:
            self.trip(Trip.LATE, now)
            return Refusal.IN_THE_PAST
        self.strikes_left = strikes
        self._enter(State.STRIKING, now)
        return Refusal.DONE

    # events

    def event(self, kind: EventKind, value: int, at: int) -> None:
        """Note an event of the board itself; it goes into the ring in order of time."""
        self._pending.append((at, kind, value))

    def gather(self) -> None:
        """Let the world catch up, and put all events since the last call into the ring."""
        self._world.advance(self._now_s)
        self._world_s = self._now_s
        for at_s, pickup in self._world.take_impacts():
            self._pending.append((self.ticks_at(at_s), EventKind.IMPACT, pickup))
        for at_s, byte in self._world.take_din():
            late_s = DIN_STAMP_SPREAD_S * self._rng.random()
            self._pending.append((self.ticks_at(at_s + late_s), EventKind.DIN_BYTE, byte))
        pending, self._pending = sorted(self._pending, key=lambda item: item[0]), []
        overflowed = False
        for at, kind, value in pending:
            if at < 0:
                continue  # before the board was up
            if len(self.ring) >= HARD_LIMITS["event_ring_length"]:
                self.dropped_events += 1
                overflowed = True
            else:
                self.ring.append((at, kind, value))
        if overflowed and self.state in _IN_PLAY:
            self.trip(Trip.EVENT_OVERFLOW, self.now_ticks)
            self.dropped_events += len(self._pending)
            self._pending = []

    def forget_below(self, number: int) -> None:
        """Drop events that the host has."""
        if number <= self.ring_first + len(self.ring):
            while self.ring_first < number:
                self.ring.popleft()
                self.ring_first += 1

    def coil_levels(self) -> tuple[bool, ...]:
        """Which coils are driven now."""
        return tuple(number in self._pulses for number in range(len(self.coils)))
