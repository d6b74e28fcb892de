"""A stage of a protocol that is searched: which of its bursts tells most, and when it is enough."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.match import match_notes
from analysis.recovery import RecoveryMap
from analysis.search import Search
from rig.record.bench_fault import BenchError
from rig.record.ladder_steps import ladder
from rig.record.midi_bytes import BYTE_US, parse_notes
from rig.record.protocol import FlamStage, RollStage, SingleStage, Stage

Floats = npt.NDArray[np.float64]

_COLUMNS = {
    "rates_per_s": "rate_per_s",
    "gaps_ms": "gap_ms",
    "forces_n": "force_n",
    "widths_us": "width_us",
}
"""Of the plan, by the ladder's key in the protocol."""


def notes_of_strokes(
    contact_s: Floats,
    byte_values: npt.ArrayLike,
    byte_s: npt.ArrayLike,
    channel: int,
    note: int,
    status: int = -1,
) -> npt.NDArray[np.int64]:
    """Count the notes of each stroke while a run goes on.

    The sound is not analysed yet: a stroke's time is that at which its contact is expected. The
    stroke table of the finished run has the last word.

    Parameters
    ----------
    contact_s
        (strokes,) rising times.
    byte_values, byte_s
        Bytes at the board's DIN input and when their start bits came, on the same clock; from the
        first one on, for running status needs what went before.
    channel, note
        Of the zone that is struck.
    status
        Status byte in force before the first byte; -1: not known.

    Raises
    ------
    BenchError
        Bytes came before any status byte: nobody can tell whether they are notes.
    """
    found = parse_notes(byte_values, byte_s, BYTE_US * 1e-6, status)
    if found.headless > 1:
        raise BenchError(
            f"counting the notes of a search: {found.headless} data bytes came before any status "
            "byte: the module sent it before the run and leaves it out since (running status). "
            "Switch the module off and on and start again, or say in [module] of the specimen file "
            "running_status_from_before = true, if its last message before a run is always a note"
        )
    own = found.on & (found.channel == channel) & (found.note == note)
    # what sounded before the first of these strokes belongs to others
    own &= found.end > np.min(contact_s, initial=np.inf)
    matched = match_notes(contact_s, found.end[own], np.ones(int(own.sum()), dtype=bool))
    counted = np.bincount(matched.stroke[matched.stroke >= 0], minlength=len(contact_s))
    return np.asarray(counted, dtype=np.int64)


class Answer(NamedTuple):
    """What a search found, as a sentence; whether it is as precise as asked, or can't become so.

    ``stuck``: the answer lies between two levels further apart than the precision.
    """

    sentence: str
    done: bool
    stuck: bool = False


class StageSearch:
    """Chooses bursts of one stage.

    Parameters
    ----------
    stage
        With a precision.
    strikes
        Its rows of the plan.
    confidence
        Of the interval.
    """

    def __init__(self, stage: Stage, strikes: pd.DataFrame, confidence: float) -> None:
        if stage.precision is None or not isinstance(stage, SingleStage | RollStage | FlamStage):
            raise ValueError(f"stage {stage.name!r} asks for no search")
        self._stage, self._precision = stage, stage.precision
        self._chance = stage.chance_percent / 100.0
        self._confidence = confidence
        found = ladder(stage)
        self._unit, self._precision_key = found.unit, found.precision_key
        column = _COLUMNS[found.key]
        # of a pair only the second stroke has a gap; its coil is first on where its flight is long
        levelled = strikes[strikes[column].notna()]
        last = levelled[levelled["burst"] != levelled["burst"].shift(-1)]
        self._burst = last["burst"].to_numpy()
        # coils that may not start at once shift a gap by some microseconds
        self._level = np.round(last[column].to_numpy(dtype=np.float64), 3)
        self._difference = np.round(last["level_difference_db"].fillna(0.0).to_numpy(), 3)
        self._open = np.ones(len(last), dtype=bool)
        self.strokes = 0
        levels, differences = np.unique(self._level), np.unique(self._difference)
        self.map: RecoveryMap | None = None
        if len(differences) > 1:
            self.map = RecoveryMap(levels, differences)
            return
        self._search = Search(
            levels,
            rising=not isinstance(stage, RollStage),
            precision=self._precision,
            target=min(self._chance, 0.999),
            confidence=confidence,
            most_trials=1_000_000_000,
            uneven=isinstance(stage, FlamStage),
        )

    def record(self, burst: int, notes: npt.ArrayLike) -> None:
        """Take in a burst of the stage: the number of notes of each stroke, in order of contact.

        Of a roll, strokes whose forerunner sounded are taken in: their gap is that of the rate. Of
        a pair, the second stroke, if the first sounded.
        """
        count = np.asarray(notes, dtype=np.int64)
        place = int(np.flatnonzero(self._burst == burst)[0])
        self._open[place] = False
        self.strokes += len(count)
        level, difference = float(self._level[place]), float(self._difference[place])
        if isinstance(self._stage, RollStage):
            right = count[1:][count[:-1] > 0] == 1
        elif isinstance(self._stage, FlamStage):
            right = count[1:][count[:1] > 0] > 0
        else:
            right = count > 0
        if self.map is not None:
            if right.size:
                self.map.record(level, difference, int(right.sum()), right.size)
        else:
            self._search.record(level, int(right.sum()), right.size)

    def next_burst(self) -> int | None:
        """Burst to strike next; None: precise enough, or nothing that is left would make it so."""
        if not self._open.any():
            return None
        answer = self.answer()
        if answer.done or answer.stuck:
            return None
        if self.map is not None:
            cells = np.zeros(self.map.trials.shape, dtype=bool)
            i = np.searchsorted(self.map.gaps_ms, self._level[self._open])
            j = np.searchsorted(self.map.level_differences_db, self._difference[self._open])
            cells[i, j] = True
            level, difference = self.map.next_trial(cells)
        else:
            level = self._search.next_level(np.unique(self._level[self._open]))
            difference = float(self._difference[0])
        fits = self._open & (self._level == level) & (self._difference == difference)
        return int(self._burst[int(np.argmax(fits))])

    def answer(self) -> Answer:
        """What is known now."""
        if self.map is not None:
            return self._map_answer(self.map)
        found = self._search.found()
        if math.isnan(found.value):
            return self._nothing_known()
        value = f"{found.bound.replace('_', ' ')} {found.value:.4g} {self._unit}".strip()
        if not found.bound:
            value += f" ({found.low:.4g} to {found.high:.4g})"
        if not found.done:
            value += f", not as precise as {self._precision:g} {self._unit}: give "
            value += self._missing(self._search.levels, found.value)
        if found.falls:
            value += ". On the way there the chance rises and falls again, and may do so unseen "
            value += f"between the levels struck: leave out {self._precision_key}, and every level "
            value += "is struck"
        return Answer(f"{self._what()} {value}; {self._struck()}", found.done, found.stuck)

    def _what(self) -> str:
        return f"search in stage {self._stage.name!r}: {100 * self._chance:g} % {self._right()}"

    def _struck(self) -> str:
        bursts = f"{int((~self._open).sum())} of {self._open.size} bursts"
        return f"{self.strokes} strokes in {bursts}"

    def _nothing_known(self) -> Answer:
        why = ", none of them after one that sounded; see that the module hears the strikers"
        return Answer(
            f"{self._what()}: nothing is known; {self._struck()}{why * bool(self.strokes)}", False
        )

    def _missing(self, levels: Floats, value: float) -> str:
        """What would make the answer as precise as asked: nothing lies between two levels."""
        above = int(np.searchsorted(levels, value))
        if 0 < above < levels.size and levels[above] - levels[above - 1] > self._precision:
            return f"levels closer together about {value:.4g} {self._unit}"
        return "more repeats"

    def _right(self) -> str:
        if isinstance(self._stage, RollStage):
            return "of strokes yield exactly one note up to"
        if isinstance(self._stage, FlamStage):
            return "of second strokes are caught from"
        return "of strokes sound from"

    def _map_answer(self, recovery: RecoveryMap) -> Answer:
        if not recovery.trials.sum():
            return self._nothing_known()
        contour = recovery.contour(self._chance, self._confidence)
        least, most = recovery.gaps_ms[0], recovery.gaps_ms[-1]
        told, done, missing = [], True, ""
        rows = zip(
            contour.level_difference_db, contour.gap_ms, contour.low_ms, contour.high_ms,
            strict=True,
        )  # fmt: skip
        for difference, gap, low, high in rows:
            # past the shortest and longest gap nothing was struck, and nothing is extrapolated
            width = min(high, most) - max(low, least)
            if low < least and high <= most:
                words = f"at most {max(high, least):.4g} ms"
            elif high > most and low >= least:
                words = f"at least {min(low, most):.4g} ms"
            else:
                words = f"{gap:.4g} ms ({low:.4g} to {high:.4g})"
                width = high - low
            told.append(f"{difference:+g} dB: {words}")
            if not width <= self._precision:
                done = False
                missing = missing or self._missing(recovery.gaps_ms, gap)
        short = "" if done else f"; not as precise as {self._precision:g} ms: give {missing}"
        return Answer(f"{self._what()} {'; '.join(told)}{short}; {self._struck()}", done)
