"""What happens at the bench while a run goes on, taken in turn by turn and put on record."""

from __future__ import annotations

import contextlib
import math
import threading
import time

from rig.board import Board
from rig.board_facts import BoardEvent
from rig.burst import NoteCounter, StrikeBook
from rig.faults import LinkError
from rig.intake import Intake
from rig.link.messages import EventKind, State
from rig.progress import Teller
from rig.readiness import CLOCK_EXCHANGES, Prompt
from rig.record.bench_fault import BenchError
from rig.record.run_folder import RunWriter

POLL_S = 0.04
"""From poll to poll: an agreed host silence of 500 ms allows a dozen to be lost."""


class StoppedError(BenchError):
    """The person stopped the run."""


class Watch:
    """Takes in events, audio and MIDI, and notices trips, losses and the wish to stop.

    Parameters
    ----------
    board, intake, writer
        Where it comes from, and the open record.
    teller, stop
        Who is told, and what ends it.
    remember
        Keep events and strikes of all bursts, for a search; else of the running one only.
    status_before
        Status byte of the module that is in force at the begin; -1: not known.

    Attributes
    ----------
    book
        Of the burst that is being struck.
    burst_ended
        Whether the board said so.
    events
        Burst to the board's events during it.
    strike_ticks
        Row of the plan to the tick of its coil.
    """

    def __init__(
        self,
        *,
        board: Board,
        intake: Intake,
        writer: RunWriter,
        teller: Teller,
        stop: threading.Event,
        remember: bool = False,
        status_before: int = -1,
    ) -> None:
        self._board = board
        self.intake = intake
        self._writer = writer
        self._teller = teller
        self._stop = stop
        self._remember = remember
        self._notes = NoteCounter(status_before)
        self.book = StrikeBook([])
        self.burst_ended = False
        self.events: dict[int, list[BoardEvent]] = {}
        self.strike_ticks: dict[int, int] = {}

    def begin_burst(self, number: int, book: StrikeBook) -> None:
        """Look from now on at a burst, whose strikes ``book`` tells apart."""
        if not self._remember:
            self.events.clear()
            self.strike_ticks.clear()
        self.events[number] = []
        self.book = book
        self.burst_ended = False

    def turn(self) -> None:
        """One turn of the loop.

        Raises
        ------
        StoppedError
            The person stopped it.
        BenchError
            Trip, lost link or events, lost audio, full disk.
        """
        if self._stop.is_set():
            raise StoppedError("stopped by hand")
        self._take_events(self._board.poll())
        self.intake.take()
        attempted = f"Stage {self._teller.progress.stage!r}"
        if self._board.state is State.TRIPPED:
            raise self._board.trip_error(attempted)
        if self._board.dropped_events:
            raise LinkError(
                "host.events_lost", attempted, f"the board dropped {self._board.dropped_events}"
            )

    @property
    def heard(self) -> tuple[int, int]:
        """Impacts that were answered or not, and those that were not."""
        return self._notes.judged, self._notes.lost

    def pause(self, seconds: float) -> None:
        """Go on recording for so long."""
        clock = self._board.clock
        until_s = clock.monotonic_s() + seconds
        while clock.monotonic_s() < until_s:
            clock.sleep_s(POLL_S)
            self.turn()

    def ask(self, prompt: Prompt, text: str) -> None:
        """Show a prompt, and go on recording until the person has answered it."""
        failed: list[BaseException] = []

        def show() -> None:
            try:
                prompt(text)
            except BaseException as error:
                failed.append(error)

        worker = threading.Thread(target=show, daemon=True)
        worker.start()
        clock = self._board.clock
        began_s, real_s = clock.monotonic_s(), time.monotonic()
        while worker.is_alive():
            worker.join(POLL_S)
            # a virtual clock follows the person's time; a real one has passed it by itself
            clock.sleep_s(time.monotonic() - real_s - (clock.monotonic_s() - began_s))
            self.turn()
        if failed:
            raise failed[0]

    def take_last(self) -> None:
        """Take what can still be had when the run has broken off. Never raises for a lost link."""
        with contextlib.suppress(BenchError, ValueError):
            self._take_events(self._board.poll())
        with contextlib.suppress(BenchError):
            self.intake.take()

    def _take_events(self, events: list[BoardEvent]) -> None:
        impacts = strikes = 0
        progress = self._teller.progress
        kept = self.events.get(progress.burst)
        for event in events:
            strike = self.book.strike_of(event)
            self._writer.event(
                event.kind.name.lower(), "controller", event.ticks, value=event.value, strike=strike
            )
            if kept is not None:
                kept.append(event)
            match event.kind:
                case EventKind.COIL_ON:
                    strikes += 1
                    self.strike_ticks[strike] = event.ticks
                case EventKind.IMPACT:
                    impacts += 1
                    self._notes.impact()
                case EventKind.DIN_BYTE:
                    self._notes.feed(event.value)
                case EventKind.BURST_END:
                    self.burst_ended = True
        self._teller.keep(
            impacts=progress.impacts + impacts,
            strikes_done=progress.strikes_done + strikes,
            notes=self._notes.notes,
            lost=self._notes.lost,
            doubles=self._notes.doubles,
            headless=self._notes.headless,
            audio_frames_lost=self.intake.frames_lost,
        )

    def write_clock(self) -> None:
        """Put some clock exchanges on record, and whether they contradict each other."""
        for _ in range(CLOCK_EXCHANGES):
            pair = self._board.exchange_clock()
            if pair is not None:
                self._writer.event(
                    "clock_pair",
                    "host",
                    round(pair.host_s * 1e9),
                    ticks=pair.ticks,
                    bound_ns=math.ceil(pair.bound_s * 1e9),
                )
        jump_s = self._board.host_clock.disagreement_s()
        if jump_s > 0:
            self.note(f"clock exchanges contradict each other by {jump_s * 1e3:.2f} ms")

    def note(self, text: str, kind: str = "note") -> None:
        """Put a remark on record, or what ended the run."""
        self._writer.event(kind, "host", round(self._board.clock.monotonic_s() * 1e9), text=text)
