"""From a run folder to stroke table, measures and decisions."""

from __future__ import annotations

import dataclasses
import datetime
import math
from pathlib import Path

import numpy as np
import numpy.typing as npt

from analysis.budget import plain_time
from analysis.decide import Decision, RunStatus, Verdict, decide_all, describe, overall
from analysis.host_path import HOST_PATH
from analysis.idle import MOST_IDLE_S, idle_samples, idle_spans
from analysis.load import Recording, recording_of
from analysis.measure import UNITS, Measure
from analysis.measures import measure_all, stage_spans
from analysis.parts import JoinedAudio, begins_frames, join_tables
from analysis.strokes import StrokeTable, build_strokes
from analysis.unknown_offset import of_unknown_offset
from rig.record.audio_file import AudioReader
from rig.record.bench_fault import BenchError, UnfinishedRunError
from rig.record.calibration_age import calibration_doubts, warmth_doubts
from rig.record.limits import TICKS_PER_US
from rig.record.parts import open_parts
from rig.record.protocol import Limit, Protocol
from rig.record.run_records import StartRecord, Status
from rig.record.specimen import Specimen

RUN_STATUS: dict[Status, RunStatus] = {
    "complete": "complete",
    "stopped": "incomplete",
    "incomplete": "incomplete",
    "failed": "failed",
}
"""What the decision is told of how a run ended."""
_ENDED: dict[Status, str] = {
    "stopped": "The run was stopped by hand",
    "incomplete": "The run has no stop record, or was cut since",
    "failed": "The run failed on a fault of the bench",
}


@dataclasses.dataclass(frozen=True, kw_only=True)
class Analysis:
    """A run, measured and judged.

    Attributes
    ----------
    recording, table
        What was recorded, and the strokes and notes made of it.
    measures, decisions
        One decision for each limit of the protocol, in its order.
    overall
        The worst verdict; None where a complete run has no limits.
    recordings, begins
        Of a run that was continued all its parts, of which ``recording`` is the last, and the frame
        at which each begins.
    """

    recording: Recording
    table: StrokeTable
    measures: list[Measure]
    decisions: list[Decision]
    overall: Verdict | None
    recordings: tuple[Recording, ...]
    begins: tuple[int, ...]

    @property
    def path(self) -> Path:
        """The run folder; the first, of a run that was continued."""
        return self.recordings[0].path

    @property
    def start(self) -> StartRecord:
        """The start record."""
        return self.recording.reader.start

    @property
    def protocol(self) -> Protocol:
        """The protocol of the run."""
        return self.recording.reader.protocol

    @property
    def specimen(self) -> Specimen:
        """What was under test."""
        return self.recording.reader.specimen

    @property
    def audio(self) -> AudioReader | JoinedAudio:
        """The recording, or those of all parts."""
        if len(self.recordings) > 1:
            return JoinedAudio(self.recordings, self.begins)
        return self.recording.reader.audio

    @property
    def ended_by(self) -> str:
        """The stop condition that ended a complete run; empty where its plan did."""
        stop = self.recording.reader.stop
        return stop.reason if stop is not None and stop.outcome == "complete" else ""

    @property
    def doubts(self) -> list[str]:
        """Sentences that belong beside every result."""
        notes = [text for part in self.recordings for text in part.of_kind("note")["text"].tolist()]
        found = [*self.table.facts["remarks"], *notes]
        lost_ms = [
            1e3 * n / part.sample_rate_hz for part in self.recordings for n in part.gaps[:, 1]
        ]
        if lost_ms:
            found.append(
                f"audio was lost at {len(lost_ms)} place{'s' * (len(lost_ms) > 1)}, "
                f"{sum(lost_ms):.3g} ms in all; strokes there are left out"
            )
        if self.ended_by:
            found.append(f"the run ended by a stop condition of its protocol: {self.ended_by}")
        if self.start.port:
            day = datetime.datetime.fromisoformat(self.start.created_utc).date()
            used = set(self.recording.strikes["striker"])
            bench = self.recording.reader.bench
            found += calibration_doubts(bench, day, used)
            for striker in bench.strikers:
                on_s, widths_us, forces_n = _pulses(self.recording, striker.id)
                room_c = bench.ambient.temperature_c
                found += warmth_doubts(striker, on_s, widths_us, room_c, forces_n)
        return list(dict.fromkeys(str(text) for text in found))

    @property
    def budget_s(self) -> dict[str, float]:
        """Uncertainty budget of one latency, each part in seconds, and their sum."""
        parts = {name: u * 1e-6 for name, (u, _) in self.table.budget.parts.items()}
        return {**parts, "combined": self.table.budget.combined_us * 1e-6}

    def describe(self, decision: Decision) -> str:
        """Measured value with its interval, for a person."""
        return describe(decision.measure) if decision.measure else "not measured"

    def describe_limit(self, limit: Limit) -> str:
        """Give the demand as a person reads it: "at most 9 ms"."""
        unit = UNITS.get(limit.unit, limit.unit)
        return f"{limit.bound.replace('_', ' ')} {limit.value:g} {unit}".strip()

    def reason(self) -> str:
        """One sentence on the verdict over all."""
        if self.recording.status != "complete":
            return f"{_ENDED[self.recording.status]}; what was recorded is shown."
        if not self.decisions:
            return "The protocol asks for no limits."
        met = sum(decision.verdict == "pass" for decision in self.decisions)
        text = f"{met} of {len(self.decisions)} limits are met."
        worst = [d.limit for d in self.decisions if d.verdict == self.overall]
        if self.overall not in (None, "pass"):
            names = dict.fromkeys(limit.measure.replace("_", " ") for limit in worst)
            text += f" {str(self.overall).capitalize()}: {', '.join(names)}."
        return text

    def note_source(self) -> str:
        """Where notes come from, and the standard uncertainty of one."""
        name = str(self.table.facts["note_source"])
        u_s = self.table.notes["note_u_s"].to_numpy(dtype=np.float64)
        if not np.isfinite(u_s).any():
            return name
        return f"{name}, each to {plain_time(float(np.nanmedian(u_s)))} (standard uncertainty)"


def analyse_run(path: Path | str) -> Analysis:
    """Measure and judge a run. Nothing is written.

    Raises
    ------
    BenchError
        It is no run folder, or its clocks can't be tied together. UnfinishedRunError where the
        run didn't come to its end.
    """
    recordings = [recording_of(part) for part in open_parts(path)]
    tables = [_build(recording) for recording in recordings]
    # how a run that was continued ended is how its last part did
    recording, table = recordings[-1], tables[-1]
    begins = begins_frames(recordings)
    if len(recordings) > 1:
        table = join_tables(recordings, tables, begins)
    reader = recording.reader
    spans = stage_spans(table.strokes)
    silent: list[npt.NDArray[np.float32]] = []
    for part, own, begin in zip(recordings, tables, begins, strict=True):
        quiet = idle_spans(part, own)
        shift_s = begin / part.sample_rate_hz
        for stage, found in quiet.items():
            spans.setdefault(stage, []).extend((a + shift_s, b + shift_s) for a, b in found)
        silent.append(idle_samples(part, quiet, own))
    idle = np.concatenate(silent)[: round(MOST_IDLE_S * recording.sample_rate_hz)]
    budget = {name: u * 1e-6 for name, (u, _) in table.budget.parts.items()}
    late_s = table.facts["late_at_most_s"]
    apart = ("onset", "stamp of the note", *([HOST_PATH] if late_s else []))
    shared = [u for name, u in budget.items() if name not in apart]
    measures = measure_all(
        table.strokes,
        table.notes,
        reader.protocol,
        reader.specimen,
        spans_s=spans,
        idle_samples=idle if idle.size else None,
        sample_rate_hz=recording.sample_rate_hz,
        systematic_u_s=math.sqrt(sum(u * u for u in shared if math.isfinite(u))),
        budget_s=budget,
        late_at_most_s=late_s,
        differences=table.differences,
        listened=not recording.imported or len(table.notes) > 0,
    )
    status = RUN_STATUS[recording.status]
    rule = reader.protocol.decision_rule
    searched = {stage.name for stage in reader.protocol.stages if stage.precision is not None}
    decisions = decide_all(
        reader.protocol.limits, measures, rule=rule, run_status=status, searched=searched
    )
    if any((part.of_kind("midi_message")["bound_ns"] > 0).any() for part in recordings):
        decisions = [of_unknown_offset(decision) for decision in decisions]
    return Analysis(
        recording=recording,
        table=table,
        measures=measures,
        decisions=decisions,
        overall=overall(decisions, status),
        recordings=tuple(recordings),
        begins=tuple(begins),
    )


def _build(recording: Recording) -> StrokeTable:
    """Make a part's stroke table; UnfinishedRunError if too little of it was recorded."""
    try:
        return build_strokes(recording)
    except BenchError as error:
        if recording.status == "complete":
            raise
        raise UnfinishedRunError(
            f"{recording.path}: {_ENDED[recording.status].lower()}, and too little was recorded to "
            f"measure anything.\n{recording.reader.faults[0]}\nMeasuring it: {error}",
            failed=recording.status == "failed",
        ) from error


def _pulses(
    recording: Recording, striker: str
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """(Starts in s on the board's clock, widths in us, stated forces in N) of pulses, in order."""
    made = recording.of_kind("coil_on")
    strikes = recording.strikes.set_index("strike")
    made = made[made["strike"].isin(strikes.index[strikes["striker"] == striker])]
    on_s = made["stamp_int"].to_numpy(dtype=np.float64) / (TICKS_PER_US * 1e6)
    struck = strikes.reindex(made["strike"].to_numpy())
    order = np.argsort(on_s, kind="stable")
    widths_us, forces_n = (
        struck[name].to_numpy(dtype=np.float64)[order] for name in ("width_us", "force_n")
    )
    return on_s[order], widths_us, forces_n
