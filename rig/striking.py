"""Strikes a burst: armed, loaded, begun, fed while it runs, and watched to its end."""

from __future__ import annotations

import math
from collections.abc import Mapping

import pandas as pd

from rig.board import Board
from rig.burst import BurstFeeder, Item, StrikeBook, burst_items, idle_items
from rig.faults import FaultError, LinkError, RefusedError
from rig.link.messages import FORMATS, Refusal, State
from rig.progress import Teller
from rig.readiness import to_ready
from rig.record.limits import TICKS_PER_US
from rig.record.run_folder import RunWriter
from rig.watch import POLL_S, Watch

LEAD_S = 0.06
LEAD_PER_FRAME_S = 0.02
"""Time from loading to a burst's zero: at the least, and more for each frame of strikes."""

_LEAST_LEAD_S = 0.02
_BEGIN_TRIES = 3
_COOL_S = 600.0
_LOAD_RECORDS = FORMATS["load"].records_at_most


class Striking:
    """Strikes the bursts of a run on an open, ready board.

    Parameters
    ----------
    board
        The board.
    coils
        Striker to coil number.
    teller
        Told how it stands.
    """

    def __init__(self, board: Board, coils: Mapping[str, int], teller: Teller) -> None:
        self._board, self._coils, self._teller = board, coils, teller
        self._armed_until_s = -math.inf

    def strike(
        self,
        number: int,
        rows: pd.DataFrame,
        duration_us: int,
        *,
        idle: bool,
        watch: Watch,
        writer: RunWriter,
    ) -> None:
        """Arm, load and strike one burst, and record it to its end.

        Parameters
        ----------
        number, rows, duration_us, idle
            Of the plan: the burst, its strikes in order of time, how long it lasts, and whether it
            only listens.
        watch, writer
            What takes in its events, and the record.

        Raises
        ------
        BenchError
            Trip, refusal or lost link; the burst broke off.
        """
        limits = self._board.limits
        horizon_ms = limits.horizon_ms if limits is not None else 0
        items = idle_items(duration_us, horizon_ms) if idle else burst_items(rows, self._coils)
        self._teller.update(doing="loading strikes", force=True)
        watch.intake.take_energy()  # what sounded before is none of the burst's
        watch.begin_burst(number, StrikeBook(items))
        feeder = self._begin(items, watch)
        writer.event("burst_begin", "controller", feeder.zero_ticks, value=number)
        end_ticks = feeder.zero_ticks + duration_us * TICKS_PER_US
        clock = self._board.clock
        began_s = clock.monotonic_s()
        before_s = self._teller.progress.elapsed_s
        while True:
            clock.sleep_s(POLL_S)
            watch.turn()
            now_s = clock.monotonic_s()
            self._teller.update(
                doing="listening" if idle else "striking",
                elapsed_s=before_s + min(now_s - began_s, duration_us / 1e6),
            )
            if watch.burst_ended:
                if self._board.host_clock.ticks_at(now_s) >= end_ticks:
                    break
            elif self._board.state is not State.STRIKING:
                raise FaultError(
                    "host.burst_broken",
                    f"Striking burst {number}",
                    f"{watch.book.struck} struck, {watch.book.left} left, board "
                    f"{self._board.state.name.lower()}",
                )
            elif not feeder.done:
                feeder.feed(self._board.host_clock, now_s)
            if now_s >= self._armed_until_s and not watch.burst_ended:
                self._arm()
        if watch.book.left:
            raise LinkError(
                "host.events_lost",
                f"Striking burst {number}",
                f"it ended with {watch.book.left} pulses not told",
            )

    def _arm(self) -> None:
        limits = self._board.limits
        armed_ms = limits.armed_ms if limits is not None else 0
        self._board.arm(armed_ms)
        # renewed when half of it has passed
        self._armed_until_s = self._board.clock.monotonic_s() + armed_ms / 2000

    def _begin(self, items: list[Item], watch: Watch) -> BurstFeeder:
        """Load the start of a burst and begin it; again, with more time, if loading took long."""
        clock, host_clock = self._board.clock, self._board.host_clock
        frames = math.ceil(min(len(items), self._board.identity.queue_length) / _LOAD_RECORDS)
        lead_s = LEAD_S + LEAD_PER_FRAME_S * frames
        cool_by_s = clock.monotonic_s() + _COOL_S
        tries = _BEGIN_TRIES
        while True:
            self._arm()
            # after a pause the clocks have drifted: one fresh exchange bounds it
            self._board.exchange_clock()
            now_s = clock.monotonic_s()
            zero_s = now_s + lead_s + host_clock.bound_at(host_clock.best_pair(now_s), now_s)
            feeder = BurstFeeder(self._board, items, host_clock.ticks_at(zero_s))
            try:
                refusal = feeder.feed(host_clock, now_s)
            except RefusedError as error:
                if error.code != "refusal.in_the_past" or tries == 1:
                    raise
                refusal = Refusal.IN_THE_PAST
            in_time = zero_s - clock.monotonic_s() > _LEAST_LEAD_S
            if refusal is Refusal.HEAT_BUDGET and clock.monotonic_s() < cool_by_s:
                self._board.disarm()
                self._teller.update(doing="waiting for a coil to cool", force=True)
                watch.pause(1.0)
                to_ready(self._board)
            elif in_time and refusal in (Refusal.DONE, Refusal.QUEUE_FULL):
                self._board.begin(len(items))
                return feeder
            else:
                tries -= 1
                if not tries:
                    if refusal in (Refusal.DONE, Refusal.QUEUE_FULL):
                        # loaded, but the zero had come too near meanwhile
                        refusal = Refusal.IN_THE_PAST
                    raise RefusedError(f"refusal.{refusal.name.lower()}", "Beginning a burst")
                self._board.disarm()
                lead_s *= 3
