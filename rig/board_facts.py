"""What the board says of itself: identity, standing, events; and how limits are compared."""

from __future__ import annotations

import dataclasses
from typing import NamedTuple

from rig.link.messages import FORMATS, EventKind, Interlock, State, Trip
from rig.record.limits import AgreedLimits, CoilLimits

BOARD_LIMITS = ("armed_ms", "host_silence_ms", "horizon_ms", "supply_least_mv", "supply_most_mv")
"""Limits of the whole board, in the order of the ``agree`` message."""

COIL_LIMITS = FORMATS["agree"].repeat_fields
"""Limits of one coil, in the order of the ``agree`` message."""

_INTERLOCK_TEXTS = {
    Interlock.ESTOP: "the e-stop loop is open (pressed, or unplugged)",
    Interlock.GUARD: "the guard is open",
    Interlock.SUPPLY: "the coil supply is out of range",
    Interlock.COILS_QUIET: "a coil is sensed on",
}


class BoardEvent(NamedTuple):
    """One event of the board: its number, kind, value and stamp (64 bits)."""

    number: int
    kind: EventKind
    value: int
    ticks: int


class Entry(NamedTuple):
    """One strike to load; ``coil`` 255 is the marker alone."""

    start_ticks: int
    width_ticks: int
    coil: int


@dataclasses.dataclass(frozen=True)
class Identity:
    """Who the board says it is, with its hard limits."""

    table_version: int
    table_hash: int
    firmware: str
    serial: str
    coil_count: int
    queue_length: int
    event_ring_length: int
    hard_longest_pulse_ticks: int
    hard_least_gap_ticks: int
    hard_heat_budget_ticks: int
    hard_armed_ms: int
    hard_host_silence_ms: int
    hard_horizon_ms: int
    reset_cause: int

    def as_dict(self) -> dict[str, int | str]:
        """Plain values, for the run's start record."""
        return dataclasses.asdict(self)


@dataclasses.dataclass(frozen=True)
class Standing:
    """Answer to ``status``: state, interlocks (bit set: closed), supply, heat, room."""

    state: State
    trip: Trip
    ticks: int
    queue_free: int
    next_event: int
    dropped_events: int
    supply_mv: int
    interlocks: int
    heat_ticks: tuple[int, ...]
    strikes_left: int

    def open_interlocks(self) -> list[str]:
        """A sentence for each interlock that is open."""
        return [
            f"{text}: {self.supply_mv} mV measured" if bit is Interlock.SUPPLY else text
            for bit, text in _INTERLOCK_TEXTS.items()
            if not self.interlocks >> bit & 1
        ]


def loosened(asked: AgreedLimits, echoed: AgreedLimits) -> list[str]:
    """A sentence for each figure that the board would enforce less strictly than asked."""
    pairs = [
        (name, getattr(asked, name), getattr(echoed, name), name.endswith("least_mv"))
        for name in BOARD_LIMITS
    ]
    for number, coil in enumerate(asked.coils):
        # a longer gap and a slower cooling are stricter; a longer pulse and more heat are looser
        pairs += [
            (
                f"coil {number} {name}",
                getattr(coil, name),
                getattr(echoed.coils[number], name),
                name in ("least_gap_ticks", "heat_time_constant_ms"),
            )
            for name in COIL_LIMITS
        ]
    return [
        f"{name}: {want} asked for, {got} echoed"
        for name, want, got, more_is_stricter in pairs
        if (got < want if more_is_stricter else got > want)
    ]


def coil_record(coil: CoilLimits) -> tuple[int, ...]:
    """Limits of one coil as a record of the ``agree`` message."""
    return tuple(getattr(coil, name) for name in COIL_LIMITS)
