"""Which burst comes next where a protocol searches, or strikes until a limit is decided."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from rig.link.messages import EventKind
from rig.record.bench_fault import BenchError
from rig.record.force_width import ForceWidth
from rig.record.ladder_steps import wide_step
from rig.record.limits import TICKS_PER_S

if TYPE_CHECKING:
    from rig.run_files import RunFiles
    from rig.so_far import SoFar

_VERDICTS = {"at_most_good": "good", "at_least_bad": "bad"}


def must_choose(files: RunFiles) -> bool:
    """Whether not every burst of the plan is to be struck in any case."""
    protocol = files.protocol
    searched = any(stage.precision is not None for stage in protocol.stages)
    return searched or any(limit.good is not None for limit in protocol.limits)


class Chooser:
    """Chooses bursts for ``rig.runner.run``.

    Stages are struck one after the other; of a stage that is searched the burst that tells most,
    of a stage with limits to be decided sequentially the next one until they are.

    Parameters
    ----------
    files
        Of the run.

    Raises
    ------
    BenchError
        The notes don't come in at the board's DIN input: nothing is known of them during the run.
    """

    def __init__(self, files: RunFiles) -> None:
        if not files.bench.midi.board_din:
            raise BenchError(
                f"protocol {files.protocol.name!r}: it searches, or strikes until decided, so what "
                "sounded must be known during the run; but board_din is false in the bench file. "
                "Connect the module to the board's DIN input, or take the precision_… and "
                "good_percent out of the protocol and strike all of it"
            )
        self._files = files
        self._strikers = {facts.id: ForceWidth(facts) for facts in files.bench.strikers}
        self._stage_searches: dict[str, object] = {}
        self._counts: dict[str, list[tuple[int, int, int]]] = {}
        self._taken: set[int] = set()
        self._told: set[str] = set()

    def __call__(self, so_far: SoFar) -> int | None:
        """Number of the next burst; None: the run is over."""
        bursts = so_far.plan.bursts
        for stage in self._files.protocol.stages:
            own = bursts.loc[bursts["stage"] == stage.name, "burst"].to_numpy()
            struck = [int(burst) for burst in own if burst in so_far.struck]
            left = [int(burst) for burst in own if burst not in so_far.struck]
            limits = [one for one in self._files.protocol.limits if one.stage == stage.name]
            if stage.precision is not None:
                chosen = self._searched(so_far, stage.name, struck)
            elif any(limit.good is not None for limit in limits):
                chosen = left[0] if left and not self._decided(so_far, stage.name, struck) else None
            else:
                chosen = left[0] if left else None
            if chosen is not None:
                return chosen
        return None

    def _notes(self, so_far: SoFar, burst: int) -> npt.NDArray[np.int64]:
        """Count the notes of each stroke of a burst that was struck, in order of contact."""
        from analysis.stage_search import notes_of_strokes

        rows = so_far.plan.strikes[so_far.plan.strikes["burst"] == burst]
        flight_ms = np.array(
            [
                float(self._strikers[name].flight_ms(width))
                for name, width in zip(rows["striker"], rows["width_us"], strict=True)
            ]
        )
        ticks = np.array([so_far.strike_ticks[strike] for strike in rows["strike"]], dtype=np.int64)
        zero = int(ticks.min())
        contact_s = (ticks - zero) / TICKS_PER_S + flight_ms / 1e3
        order = np.argsort(contact_s, kind="stable")
        # all bytes since the start: running status goes on from burst to burst
        until = so_far.struck.index(burst) + 1
        heard = [
            event
            for earlier in so_far.struck[:until]
            for event in so_far.events[earlier]
            if event.kind is EventKind.DIN_BYTE
        ]
        module = self._files.specimen.module
        return notes_of_strokes(
            contact_s[order],
            [event.value for event in heard],
            [(event.ticks - zero) / TICKS_PER_S for event in heard],
            module.midi_channel,
            module.zones[0].note,
            module.status_before,
        )

    def _searched(self, so_far: SoFar, name: str, struck: list[int]) -> int | None:
        from analysis.stage_search import StageSearch

        protocol, strikes = self._files.protocol, so_far.plan.strikes
        search = self._stage_searches.get(name)
        if not isinstance(search, StageSearch):
            stage = next(one for one in protocol.stages if one.name == name)
            search = StageSearch(stage, strikes[strikes["stage"] == name], protocol.confidence)
            self._stage_searches[name] = search
            if wide := wide_step(stage):
                so_far.remark(wide)
        for burst in struck:
            if burst not in self._taken:
                search.record(burst, self._notes(so_far, burst))
                self._taken.add(burst)
        chosen = search.next_burst()
        if chosen is None:
            self._tell(so_far, name, search.answer().sentence)
        return chosen

    def _decided(self, so_far: SoFar, name: str, struck: list[int]) -> bool:
        """Whether all limits of a stage have what they need."""
        from analysis.sequential import share_test

        counts = self._counts.setdefault(name, [])
        for burst in struck:
            if burst not in self._taken:
                notes = self._notes(so_far, burst)
                counts.append((len(notes), int((notes == 0).sum()), int((notes > 1).sum())))
                self._taken.add(burst)
        strokes, lost, doubles = (
            (sum(column) for column in zip(*counts, strict=True)) if counts else (0, 0, 0)
        )
        protocol = self._files.protocol
        told = []
        for limit in protocol.limits:
            if limit.stage != name:
                continue
            if strokes < limit.least_strokes:
                return False
            if limit.good is None:
                continue
            events = lost if limit.measure == "lost_share" else doubles
            verdict = share_test(limit.good, limit.value, protocol.confidence).verdict(
                events, strokes
            )
            if verdict == "undecided":
                return False
            what, so = limit.measure.replace("_", " "), _VERDICTS[verdict]
            tested = f"{limit.good:g} % against {limit.value:g} %"
            told.append(f"{what} is {so}: {events} of {strokes} strokes, tested for {tested}")
        self._tell(so_far, name, f"stage {name!r} was struck until decided: {'; '.join(told)}")
        return True

    def _tell(self, so_far: SoFar, name: str, sentence: str) -> None:
        if name not in self._told:
            self._told.add(name)
            so_far.remark(sentence)
