"""The bench in action: prompts, and burst after burst."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable
from typing import Any

from rig.board import Board
from rig.capture.audio_block import AudioSource, MidiSource
from rig.ending import Ending
from rig.intake import Intake, open_audio_source, open_midi_source
from rig.progress import Progress, Teller
from rig.readiness import Prompt, to_ready
from rig.record.bench_fault import BenchError
from rig.record.bench_file import BenchFile
from rig.record.endurance import Stop
from rig.record.plan import Plan
from rig.record.run_folder import RunWriter
from rig.resuming import Recalled
from rig.so_far import NextBurst, SoFar
from rig.striking import Striking
from rig.watch import Watch

_AUDIO_WAIT_S = 2.0


class Session:
    """One run on an open, ready board.

    Parameters
    ----------
    board, bench, plan
        The board, its station, and what to strike.
    progress, stop, prompt, next_burst
        As in ``rig.runner.run``.
    ending
        What ends the run before its plan does.
    done, strokes_done
        Bursts that earlier parts of the run have struck, and the strokes in them.
    recalled
        What a search has to know of them.
    status_before
        As of ``rig.watch.Watch``.
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
        ending: Stop | None = None,
        done: frozenset[int] = frozenset(),
        strokes_done: int = 0,
        recalled: Recalled | None = None,
        status_before: int = -1,
    ) -> None:
        self.board = board
        self._bench = bench
        self._plan = plan
        self._stop = stop
        self._prompt = prompt
        self._next_burst = next_burst
        self._ending = Ending(ending or Stop(), bench, strokes_done)
        self._done = done
        self._recalled = recalled or Recalled()
        self._status_before = status_before
        self._by_burst = dict(list(plan.strikes.groupby("burst", sort=False)))
        self._audio: AudioSource | None = None
        self._midi: MidiSource | None = None
        self._intake: Intake | None = None
        self._watch: Watch | None = None
        self._teller = Teller(
            progress,
            board,
            Progress(
                bursts_total=len(plan.bursts) - len(done),
                strikes_total=len(plan.strikes) - strokes_done,
                duration_s=float(
                    plan.bursts.loc[~plan.bursts["burst"].isin(done), "duration_us"].sum()
                )
                / 1e6,
            ),
        )
        coils = {striker.id: coil for coil, striker in enumerate(bench.strikers)}
        self._striking = Striking(board, coils, self._teller)

    def standing(self) -> Progress:
        """How things stand."""
        return self._teller.progress

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

    def strike_all(self, writer: RunWriter) -> str:
        """Strike every burst, or those that ``next_burst`` chooses, and record all of it.

        Gives the stop condition that ended the run, or nothing if its plan did.

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
        self._watch = watch = Watch(
            board=self.board,
            intake=self._intake,
            writer=writer,
            teller=self._teller,
            stop=self._stop,
            remember=self._next_burst is not None,
            status_before=self._status_before,
        )
        self._intake.start()
        watch.write_clock()
        bursts: dict[int, dict[Any, Any]] = {
            row["burst"]: row
            for row in self._plan.bursts.to_dict("records")
            if row["burst"] not in self._done
        }
        struck: list[int] = []
        ended = ""
        while not ended and (number := self._choose(struck, list(bursts), watch)) is not None:
            facts = bursts[number]
            self._teller.update(stage=facts["stage"], burst=number)
            if facts["prompt"] and facts["stage"] not in {bursts[b]["stage"] for b in struck}:
                self._ask(facts["prompt"], watch)
            rows = self._by_burst.get(number, self._plan.strikes.iloc[:0])
            self._striking.strike(
                number, rows, facts["duration_us"], idle=facts["idle"], watch=watch, writer=writer
            )
            struck.append(number)
            self._teller.update(bursts_done=len(struck))
            watch.write_clock()
            ended = self._ending.after_burst(
                rows,
                watch.strike_ticks,
                now_s=self.board.clock.monotonic_s(),
                energy=watch.intake.take_energy(),
                heard=watch.heard,
            )
            if ended:
                watch.note(ended, kind="ended")
            writer.flush()
        self.board.disarm()
        left_out = sorted(set(bursts) - set(struck))
        if left_out and not ended:
            watch.note(f"{len(left_out)} of {len(bursts)} bursts of the plan were left out as told")
        watch.turn()
        self._intake.finish(_AUDIO_WAIT_S)
        again, damaged = self.board.resent_requests, self.board.damaged_frames
        if again or damaged:
            watch.note(f"serial line: {again} requests sent again, {damaged} damaged frames")
        self._teller.update(doing="done", force=True)
        return ended

    def stand_down(self) -> None:
        """Coils off, then whatever can still be recorded. Never raises for a lost link."""
        with contextlib.suppress(BenchError):
            self.board.disarm()
        if self._watch is not None:
            self._watch.take_last()

    def _choose(self, struck: list[int], numbers: list[int], watch: Watch) -> int | None:
        if self._next_burst is None:
            return numbers[len(struck)] if len(struck) < len(numbers) else None
        earlier = self._recalled
        chosen = self._next_burst(
            SoFar(
                plan=self._plan,
                struck=(*earlier.struck, *struck),
                events={**earlier.events, **watch.events},
                strike_ticks={**earlier.strike_ticks, **watch.strike_ticks},
                remark=watch.note,
            )
        )
        if chosen is not None and (chosen not in numbers or chosen in struck):
            raise BenchError(
                f"The search asked for burst {chosen}; bursts of the plan that are not struck yet "
                f"are {sorted(set(numbers) - set(struck))}"
            )
        return chosen

    def _ask(self, text: str, watch: Watch) -> None:
        """Show a prompt with the board disarmed, and keep recording while the person works."""
        self.board.disarm()
        if self._prompt is not None:
            self._teller.update(doing=text, force=True)
            watch.ask(self._prompt, text)
        to_ready(self.board)
