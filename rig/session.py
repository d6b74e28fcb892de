"""The bench in action: prompts, arming, bursts, and everything that comes in meanwhile."""

from __future__ import annotations

import contextlib
import dataclasses
import math
import threading
import time
from collections.abc import Callable
from typing import Any

from rig.board import Board
from rig.board_facts import BoardEvent
from rig.burst import BurstFeeder, Item, NoteCounter, StrikeBook, burst_items, idle_items
from rig.capture.audio_block import AudioSource, MidiSource
from rig.faults import FaultError, LinkError, RefusedError
from rig.intake import Intake, open_audio_source, open_midi_source
from rig.link.messages import FORMATS, EventKind, Refusal, State
from rig.record.bench_fault import BenchError
from rig.record.bench_file import BenchFile
from rig.record.limits import TICKS_PER_US, AgreedLimits
from rig.record.plan import Plan
from rig.record.run_folder import RunWriter

POLL_S = 0.04
"""From poll to poll: an agreed host silence of 500 ms allows a dozen to be lost."""

PROGRESS_S = 0.25
LEAD_S = 0.06
LEAD_PER_FRAME_S = 0.02
"""Time from loading to a burst's zero: at the least, and more for each frame of strikes."""

_LEAST_LEAD_S = 0.02
_BEGIN_TRIES = 3
_CLOCK_EXCHANGES = 8
_SETTLE_S = 2.2
"""Longer than the longest host silence, after which a board in ready is safe again."""
_CONTACTS_S = 0.2
"""A contact counts as closed 50 ms after it closed; a board that has just started counts anew."""
_COOL_S = 600.0
_AUDIO_WAIT_S = 2.0

Prompt = Callable[[str], object]


class StoppedError(BenchError):
    """The person stopped the run."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Progress:
    """How a run stands.

    ``doing``: a sentence for the person; ``elapsed_s`` and ``duration_s`` count the bursts' time.
    """

    stage: str = ""
    doing: str = ""
    burst: int = -1
    bursts_done: int = 0
    bursts_total: int = 0
    strikes_done: int = 0
    strikes_total: int = 0
    impacts: int = 0
    notes: int = 0
    lost: int = 0
    doubles: int = 0
    state: str = "safe"
    elapsed_s: float = 0.0
    duration_s: float = 0.0
    audio_frames_lost: int = 0


@dataclasses.dataclass(frozen=True, kw_only=True)
class SoFar:
    """What a search may look at between two bursts.

    Attributes
    ----------
    plan
        Everything that can be struck.
    struck
        Bursts struck so far, in order.
    events
        Burst to the board's events during it; impacts and DIN bytes among them.
    strike_ticks
        Row of the plan to the tick of its coil.
    """

    plan: Plan
    struck: tuple[int, ...]
    events: dict[int, list[BoardEvent]]
    strike_ticks: dict[int, int]


NextBurst = Callable[[SoFar], int | None]


def get_ready(board: Board, limits: AgreedLimits, prompt: Prompt | None) -> AgreedLimits:
    """Bring the board to state ready, with limits agreed. Nothing can be struck before.

    Parameters
    ----------
    board
        Just opened.
    limits
        To ask for.
    prompt
        Asks the person before an earlier trip is reset; None leaves it.

    Raises
    ------
    TrippedError
        It tripped earlier, and there is nobody to look.
    RefusedError
        Interlocks are open; all of them are named.
    """
    board.poll()
    if board.state is State.TRIPPED:
        error = board.trip_error("The board stopped by itself earlier")
        if prompt is None:
            raise error
        prompt(f"{error}\nDo this now. The trip is reset when you confirm.")
        board.reset_trip()
    if board.state in (State.ARMED, State.STRIKING):
        board.disarm()
    if board.state is State.READY:
        # limits are agreed in safe only; a board in ready that hears nothing goes there
        board.clock.sleep_s(_SETTLE_S)
        board.status()
    agreed = board.agree(limits)
    for _ in range(_CLOCK_EXCHANGES):
        board.exchange_clock()
    _to_ready(board)
    return agreed


def _to_ready(board: Board) -> None:
    """Ask for ready; once more if contacts that were closed just now have to settle first."""
    try:
        board.ready()
    except RefusedError as error:
        if error.code != "refusal.interlock_open":
            raise
        board.clock.sleep_s(_CONTACTS_S)
        board.ready()


class Session:
    """One run on an open, ready board.

    Parameters
    ----------
    board, bench, plan
        The board, its station, and what to strike.
    progress, stop, prompt, next_burst
        As in ``rig.runner.run``.
    """

    def __init__(
        self,
        *,
        board: Board,
        bench: BenchFile,
        plan: Plan,
        progress: Callable[[Progress], None] | None,
        stop: threading.Event,
        prompt: Prompt | None,
        next_burst: NextBurst | None,
    ) -> None:
        self.board = board
        self._bench = bench
        self._plan = plan
        self._tell = progress
        self._stop = stop
        self._prompt = prompt
        self._next_burst = next_burst
        self._coils = {striker.id: coil for coil, striker in enumerate(bench.strikers)}
        self._by_burst = dict(list(plan.strikes.groupby("burst", sort=False)))
        self._audio: AudioSource | None = None
        self._midi: MidiSource | None = None
        self._intake: Intake | None = None
        self._notes = NoteCounter()
        self._book = StrikeBook([])
        self._events: dict[int, list[BoardEvent]] = {}
        self._strike_ticks: dict[int, int] = {}
        self._armed_until_s = -math.inf
        self._told_s = -math.inf
        self._burst_ended = False
        self._state = Progress(
            bursts_total=len(plan.bursts),
            strikes_total=len(plan.strikes),
            duration_s=float(plan.bursts["duration_us"].sum()) / 1e6,
        )

    def standing(self) -> Progress:
        """How things stand."""
        return dataclasses.replace(
            self._state,
            notes=self._notes.notes,
            lost=self._notes.lost,
            doubles=self._notes.doubles,
            state=self.board.state.name.lower(),
            audio_frames_lost=0 if self._intake is None else self._intake.frames_lost,
        )

    def open_sources(self) -> None:
        """Open audio and MIDI, so that what is missing is known before a folder is made."""
        self._audio = open_audio_source(self._bench, self.board.port)
        self._midi = open_midi_source(self._bench.midi, self.board.port)

    def close_sources(self) -> None:
        """Let go of audio and MIDI."""
        if self._intake is not None:
            self._intake.close()
        elif self._audio is not None:
            self._audio.stop()

    def strike_all(self, writer: RunWriter) -> None:
        """Strike every burst, or those that ``next_burst`` chooses, and record all of it.

        Raises
        ------
        StoppedError
            The person stopped it.
        BenchError
            Trip, refusal, lost link, full disk, lost audio: the run has failed.
        """
        if self._audio is None:
            raise BenchError("The audio input was not opened before the run")
        self._intake = Intake(writer, self._audio, self._midi, self.board.clock)
        self._intake.start()
        self._write_clock(writer)
        bursts: dict[int, dict[Any, Any]] = {
            row["burst"]: row for row in self._plan.bursts.to_dict("records")
        }
        struck: list[int] = []
        while (number := self._choose(struck, list(bursts))) is not None:
            facts = bursts[number]
            self._update(stage=facts["stage"], burst=number)
            if facts["prompt"]:
                self._ask(facts["prompt"], writer)
            self._strike_burst(number, facts["duration_us"], idle=facts["idle"], writer=writer)
            struck.append(number)
            self._update(bursts_done=len(struck))
            self._write_clock(writer)
            writer.flush()
        self.board.disarm()
        left_out = sorted(set(bursts) - set(struck))
        if left_out:
            self._note(writer, f"bursts not chosen by the search: {left_out}")
        self._turn(writer)
        self._intake.finish(_AUDIO_WAIT_S)
        link = self.board.fault_bundle()
        if link["resent_requests"] or link["damaged_frames"]:
            self._note(
                writer,
                f"serial line: {link['resent_requests']} requests sent again, "
                f"{link['damaged_frames']} damaged frames",
            )
        self._update(doing="done", force=True)

    def stand_down(self, writer: RunWriter) -> None:
        """Coils off, then whatever can still be recorded. Never raises for a lost link."""
        with contextlib.suppress(BenchError):
            self.board.disarm()
        with contextlib.suppress(BenchError, ValueError):
            self._take_events(self.board.poll(), writer)
        if self._intake is not None:
            with contextlib.suppress(BenchError):
                self._intake.take()

    # prompts and arming

    def _choose(self, struck: list[int], numbers: list[int]) -> int | None:
        if self._next_burst is None:
            return numbers[len(struck)] if len(struck) < len(numbers) else None
        chosen = self._next_burst(
            SoFar(
                plan=self._plan,
                struck=tuple(struck),
                events=self._events,
                strike_ticks=self._strike_ticks,
            )
        )
        if chosen is not None and (chosen not in numbers or chosen in struck):
            raise BenchError(
                f"The search asked for burst {chosen}; bursts of the plan that are not struck yet "
                f"are {sorted(set(numbers) - set(struck))}"
            )
        return chosen

    def _ask(self, text: str, writer: RunWriter) -> None:
        """Show a prompt with the board disarmed, and keep recording while the person works."""
        self.board.disarm()
        if self._prompt is not None:
            self._update(doing=text, force=True)
            self._wait_for(self._prompt, text, writer)
        _to_ready(self.board)

    def _wait_for(self, prompt: Prompt, text: str, writer: RunWriter) -> None:
        failed: list[BaseException] = []

        def show() -> None:
            try:
                prompt(text)
            except BaseException as error:
                failed.append(error)

        worker = threading.Thread(target=show, daemon=True)
        worker.start()
        clock = self.board.clock
        began_s, real_s = clock.monotonic_s(), time.monotonic()
        while worker.is_alive():
            worker.join(POLL_S)
            # a virtual clock follows the person's time; a real one has passed it by itself
            clock.sleep_s(time.monotonic() - real_s - (clock.monotonic_s() - began_s))
            self._turn(writer)
        if failed:
            raise failed[0]

    def _arm(self) -> None:
        limits = self.board.limits
        armed_ms = limits.armed_ms if limits is not None else 0
        self.board.arm(armed_ms)
        # renewed when half of it has passed
        self._armed_until_s = self.board.clock.monotonic_s() + armed_ms / 2000

    # bursts

    def _strike_burst(
        self, number: int, duration_us: int, *, idle: bool, writer: RunWriter
    ) -> None:
        limits = self.board.limits
        horizon_ms = limits.horizon_ms if limits is not None else 0
        rows = self._by_burst.get(number, self._plan.strikes.iloc[:0])
        items = idle_items(duration_us, horizon_ms) if idle else burst_items(rows, self._coils)
        self._update(doing="loading strikes", force=True)
        self._events[number] = []
        self._book = StrikeBook(items)
        self._burst_ended = False
        feeder = self._begin(items, writer)
        writer.event("burst_begin", "controller", feeder.zero_ticks, value=number)
        end_ticks = feeder.zero_ticks + duration_us * TICKS_PER_US
        clock = self.board.clock
        began_s = clock.monotonic_s()
        before_s = self._state.elapsed_s
        while True:
            clock.sleep_s(POLL_S)
            self._turn(writer)
            now_s = clock.monotonic_s()
            self._update(
                doing="listening" if idle else "striking",
                elapsed_s=before_s + min(now_s - began_s, duration_us / 1e6),
            )
            if self._burst_ended:
                if self.board.host_clock.ticks_at(now_s) >= end_ticks:
                    break
            elif self.board.state is not State.STRIKING:
                raise FaultError(
                    "host.burst_broken",
                    f"Striking burst {number}",
                    f"{self._book.struck} struck, {self._book.left} left, board "
                    f"{self.board.state.name.lower()}",
                )
            elif not feeder.done:
                feeder.feed(self.board.host_clock, now_s)
            if now_s >= self._armed_until_s and not self._burst_ended:
                self._arm()
        if self._book.left:
            raise LinkError(
                "host.events_lost",
                f"Striking burst {number}",
                f"it ended with {self._book.left} pulses not told",
            )

    def _begin(self, items: list[Item], writer: RunWriter) -> BurstFeeder:
        """Load the start of a burst and begin it; again, with more time, if loading took long."""
        clock, host_clock = self.board.clock, self.board.host_clock
        frames = math.ceil(min(len(items), self.board.identity.queue_length) / _LOAD_RECORDS)
        lead_s = LEAD_S + LEAD_PER_FRAME_S * frames
        cool_by_s = clock.monotonic_s() + _COOL_S
        tries = _BEGIN_TRIES
        while True:
            self._arm()
            # after a pause the clocks have drifted: one fresh exchange bounds it
            self.board.exchange_clock()
            now_s = clock.monotonic_s()
            zero_s = now_s + lead_s + host_clock.bound_at(host_clock.best_pair(now_s), now_s)
            feeder = BurstFeeder(self.board, items, host_clock.ticks_at(zero_s))
            try:
                refusal = feeder.feed(host_clock, now_s)
            except RefusedError as error:
                if error.code != "refusal.in_the_past" or tries == 1:
                    raise
                refusal = Refusal.IN_THE_PAST
            in_time = zero_s - clock.monotonic_s() > _LEAST_LEAD_S
            if refusal is Refusal.HEAT_BUDGET and clock.monotonic_s() < cool_by_s:
                self.board.disarm()
                self._update(doing="waiting for a coil to cool", force=True)
                self._pause(1.0, writer)
                _to_ready(self.board)
            elif in_time and refusal in (Refusal.DONE, Refusal.QUEUE_FULL):
                self.board.begin(len(items))
                return feeder
            else:
                tries -= 1
                if not tries:
                    raise RefusedError(f"refusal.{refusal.name.lower()}", "Beginning a burst")
                self.board.disarm()
                lead_s *= 3

    def _pause(self, seconds: float, writer: RunWriter) -> None:
        until_s = self.board.clock.monotonic_s() + seconds
        while self.board.clock.monotonic_s() < until_s:
            self.board.clock.sleep_s(POLL_S)
            self._turn(writer)

    # what comes in

    def _turn(self, writer: RunWriter) -> None:
        """One turn of the loop: events, audio, MIDI, and the person's wish to stop."""
        if self._stop.is_set():
            raise StoppedError("stopped by hand")
        self._take_events(self.board.poll(), writer)
        if self._intake is not None:
            self._intake.take()
        if self.board.state is State.TRIPPED:
            raise self.board.trip_error(f"Stage {self._state.stage!r}")
        if self.board.dropped_events:
            raise LinkError(
                "host.events_lost",
                f"Stage {self._state.stage!r}",
                f"the board dropped {self.board.dropped_events}",
            )

    def _take_events(self, events: list[BoardEvent], writer: RunWriter) -> None:
        impacts = strikes = 0
        kept = self._events.get(self._state.burst)
        for event in events:
            strike = self._book.strike_of(event)
            writer.event(
                event.kind.name.lower(), "controller", event.ticks, value=event.value, strike=strike
            )
            if kept is not None:
                kept.append(event)
            match event.kind:
                case EventKind.COIL_ON:
                    strikes += 1
                    self._strike_ticks[strike] = event.ticks
                case EventKind.IMPACT:
                    impacts += 1
                    self._notes.impact()
                case EventKind.DIN_BYTE:
                    self._notes.feed(event.value)
                case EventKind.BURST_END:
                    self._burst_ended = True
        if impacts or strikes:
            self._state = dataclasses.replace(
                self._state,
                impacts=self._state.impacts + impacts,
                strikes_done=self._state.strikes_done + strikes,
            )

    def _write_clock(self, writer: RunWriter) -> None:
        for _ in range(_CLOCK_EXCHANGES):
            pair = self.board.exchange_clock()
            if pair is not None:
                writer.event(
                    "clock_pair",
                    "host",
                    round(pair.host_s * 1e9),
                    ticks=pair.ticks,
                    bound_ns=math.ceil(pair.bound_s * 1e9),
                )
        jump_s = self.board.host_clock.disagreement_s()
        if jump_s > 0:
            self._note(writer, f"clock exchanges contradict each other by {jump_s * 1e3:.2f} ms")

    def _note(self, writer: RunWriter, text: str) -> None:
        writer.event("note", "host", round(self.board.clock.monotonic_s() * 1e9), text=text)

    def _update(self, *, force: bool = False, **changes: Any) -> None:
        self._state = dataclasses.replace(self._state, **changes)
        now_s = self.board.clock.monotonic_s()
        if self._tell is not None and (force or now_s - self._told_s >= PROGRESS_S):
            self._told_s = now_s
            self._tell(self.standing())


_LOAD_RECORDS = FORMATS["load"].records_at_most
