"""What the board says of itself: identity, standing, events; and what it is given to strike."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any, NamedTuple

from rig.link.messages import EventKind, Interlock, State, Trip

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

    @classmethod
    def from_fields(cls, fields: Mapping[str, Any]) -> Standing:
        """Of the fields of the answer."""
        alike = ("ticks", "queue_free", "next_event", "dropped_events", "supply_mv", "interlocks")
        return cls(
            state=State(fields["state"]),
            trip=Trip(fields["trip_code"]),
            heat_ticks=(fields["heat_a_ticks"], fields["heat_b_ticks"]),
            strikes_left=fields["strikes_left"],
            **{name: fields[name] for name in alike},
        )

    def open_interlocks(self) -> list[str]:
        """A sentence for each interlock that is open."""
        return [
            f"{text}: {self.supply_mv} mV measured" if bit is Interlock.SUPPLY else text
            for bit, text in _INTERLOCK_TEXTS.items()
            if not self.interlocks >> bit & 1
        ]
