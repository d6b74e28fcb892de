"""One burst: what is loaded, what is still to load, and which strike each pulse was."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import pandas as pd

from rig.board import Board
from rig.board_facts import BoardEvent, Entry
from rig.clock import HostClock
from rig.faults import LinkError, RefusedError
from rig.link.messages import LONE_MARKER, EventKind, Refusal
from rig.record.limits import TICKS_PER_S, TICKS_PER_US

PREAMBLE_US = (0, 17_000, 41_000, 78_000)
"""Lone markers after a burst's zero. Their gaps differ, so that no match can be off by one."""

IDLE_MARKER_S = 10.0
"""From lone marker to lone marker while nothing is struck, so that the clocks stay tied."""

_LONE_WIDTH_TICKS = 800 * TICKS_PER_US
_FILL_SHARE = 0.8
"""Share of the horizon that is filled; the rest is for clocks that disagree."""
_LATER = (Refusal.QUEUE_FULL, Refusal.HEAT_BUDGET, Refusal.TOO_FAR_AHEAD)


class Item(NamedTuple):
    """One entry of a burst: ticks from its zero, and the plan's row (-1: a lone marker)."""

    offset_ticks: int
    width_ticks: int
    coil: int
    strike: int


def burst_items(strikes: pd.DataFrame, coils: Mapping[str, int]) -> list[Item]:
    """Entries of a burst in order of time, its preamble first.

    Parameters
    ----------
    strikes
        Rows of the plan of one burst, in order of time; may be empty.
    coils
        Striker to coil number.
    """
    preamble = [Item(us * TICKS_PER_US, _LONE_WIDTH_TICKS, LONE_MARKER, -1) for us in PREAMBLE_US]
    times = strikes["time_us"].to_numpy() * TICKS_PER_US
    widths = np.round(strikes["width_us"].to_numpy() * TICKS_PER_US).astype(np.int64)
    rows = zip(
        times.tolist(),
        widths.tolist(),
        [coils[striker] for striker in strikes["striker"]],
        strikes["strike"].to_numpy().tolist(),
        strict=True,
    )
    return [*preamble, *itertools.starmap(Item, rows)]


def idle_items(duration_us: int, horizon_ms: int) -> list[Item]:
    """Entries of a burst in which nothing is struck: the preamble, and a marker now and then."""
    step_us = int(min(IDLE_MARKER_S * 1e6, horizon_ms * 1000 / 4))
    times = [*PREAMBLE_US, *range(step_us, max(duration_us - 1_000_000, step_us), step_us)]
    return [
        Item(us * TICKS_PER_US, _LONE_WIDTH_TICKS, LONE_MARKER, -1)
        for us in sorted(set(times))
        if us <= duration_us
    ]


class BurstFeeder:
    """Loads a burst's entries, as many as the board takes, ahead of time.

    Parameters
    ----------
    board
        Armed.
    items
        In order of time.
    zero_ticks
        Tick that the burst's times count from.
    """

    def __init__(self, board: Board, items: list[Item], zero_ticks: int) -> None:
        self._board = board
        self._items = items
        self.zero_ticks = zero_ticks
        self._loaded = 0

    @property
    def done(self) -> bool:
        """Everything is loaded."""
        return self._loaded == len(self._items)

    def feed(self, clock: HostClock, now_s: float) -> Refusal:
        """Load what lies within the horizon; gives the last refusal, one to come again after.

        Raises
        ------
        RefusedError
            The board refused an entry for good; ``in_the_past`` is among these.
        """
        limits = self._board.limits
        horizon_ms = limits.horizon_ms if limits is not None else 0
        until = clock.ticks_at(now_s) + int(horizon_ms * _FILL_SHARE / 1000 * TICKS_PER_S)
        entries = []
        for item in self._items[self._loaded :]:
            start = self.zero_ticks + item.offset_ticks
            if start > until:
                break
            entries.append(Entry(start, item.width_ticks, item.coil))
        if not entries:
            return Refusal.DONE
        accepted, refusal = self._board.load(entries)
        self._loaded += accepted
        if refusal is not Refusal.DONE and refusal not in _LATER:
            if refusal is Refusal.WRONG_STATE:
                self._board.status()
                if self._board.trip:
                    raise self._board.trip_error("Loading strikes")
            item = self._items[self._loaded]
            raise RefusedError(
                f"refusal.{refusal.name.lower()}",
                "Loading strikes",
                f"strike {item.strike}, coil {item.coil}, "
                f"{item.width_ticks / TICKS_PER_US:g} µs wide",
            )
        return refusal


class StrikeBook:
    """Which strike of the plan each coil event belongs to: pulses come in the order loaded."""

    def __init__(self, items: list[Item]) -> None:
        self._due = iter([item for item in items if item.strike >= 0])
        self._running: dict[int, int] = {}
        self.struck = 0
        self.left = sum(item.strike >= 0 for item in items)

    def strike_of(self, event: BoardEvent) -> int:
        """Row of the plan, -1 for an event of no strike.

        Raises
        ------
        LinkError
            A pulse came that was not its turn: events are missing.
        """
        if event.kind is EventKind.COIL_ON:
            item = next(self._due, None)
            if item is None or item.coil != event.value:
                expected = "none" if item is None else f"coil {item.coil}"
                raise LinkError(
                    "host.events_lost",
                    "Telling strikes apart",
                    f"a pulse of coil {event.value} came, {expected} was due",
                )
            self.struck += 1
            self.left -= 1
            self._running[event.value] = item.strike
            return item.strike
        if event.kind is EventKind.COIL_OFF:
            return self._running.pop(event.value, -1)
        return -1


class NoteCounter:
    """Counts note-ons of a stream of MIDI bytes, for the person to watch. MIDI 1.0.

    ``lost`` and ``doubles`` go by the order of impacts and notes alone, of the ``judged`` impacts
    that another one followed; the analysis decides. ``headless`` counts data bytes before any
    status byte, of which nobody knows what they are; nothing is judged until one comes.

    Parameters
    ----------
    status
        Channel status that is in force before the first byte; -1: none is known.
    """

    def __init__(self, status: int = -1) -> None:
        self.notes = 0
        self.lost = 0
        self.doubles = 0
        self.judged = 0
        self._before_impact: int | None = None
        self._status = max(status, 0)
        self._listens = status >= 0
        self.headless = 0
        self._data: list[int] = []

    def impact(self) -> None:
        """Take an impact: what came since the one before it is all that it got."""
        if self._before_impact is not None and (self._listens or not self.headless):
            since = self.notes - self._before_impact
            self.judged += 1
            self.lost += since == 0
            self.doubles += max(0, since - 1)
        self._before_impact = self.notes

    def feed(self, byte: int) -> None:
        """Take one byte; real-time bytes may stand anywhere."""
        if byte >= 0xF8:
            return
        if byte >= 0x80:
            self._status = byte if byte < 0xF0 else 0
            self._listens = True
            self._data.clear()
            return
        self.headless += not self._listens
        self._data.append(byte)
        if self._status & 0xF0 in (0xC0, 0xD0):
            self._data.clear()
        elif len(self._data) == 2:
            # velocity 0 is a note-off
            self.notes += self._status & 0xF0 == 0x90 and self._data[1] > 0
            self._data.clear()
