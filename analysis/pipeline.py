"""From a run folder to stroke table, measures and decisions, and the files that hold them."""

from __future__ import annotations

import dataclasses
import datetime
import json
import math
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from analysis.decide import Decision, RunStatus, Verdict, decide_all, describe, overall
from analysis.load import Recording, recording_of
from analysis.measure import UNITS, Measure
from analysis.measures import measure_all, stage_spans, to_json
from analysis.parts import JoinedAudio, begins_frames, join_tables
from analysis.strokes import StrokeTable, build_strokes
from rig.record.audio_file import AudioReader
from rig.record.bench_fault import BenchError, UnfinishedRunError
from rig.record.calibration_age import calibration_doubts, warmth_doubts
from rig.record.limits import TICKS_PER_US
from rig.record.parts import open_parts
from rig.record.protocol import IdleStage, Limit, Protocol
from rig.record.run_records import StartRecord, Status
from rig.record.specimen import Specimen

FOLDER = "analysis"
"""Inside the run folder; all in it can be made again."""

_STATUS: dict[Status, RunStatus] = {
    "complete": "complete",
    "stopped": "incomplete",
    "incomplete": "incomplete",
    "failed": "failed",
}
_ENDED: dict[Status, str] = {
    "stopped": "The run was stopped by hand",
    "incomplete": "The run has no stop record",
    "failed": "The run failed on a fault of the bench",
}
_IDLE_MARGIN_S = 0.1
_RINGS_S = 0.5
_MOST_IDLE_S = 20.0


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

    def _parts(self) -> str:
        gaps = [f"{one.path.name} after {one.reader.start.gap_s:.0f} s" for one in self.recordings]
        return ", ".join([self.path.name, *gaps[1:]])

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
        return f"{name}, each to {1e6 * float(np.nanmedian(u_s)):.3g} µs (standard uncertainty)"

    def provenance(self) -> list[tuple[str, str]]:
        """Where the figures come from, line by line."""
        start = self.start
        line = self.table.time_line
        rows = [
            *_under_test(self.specimen),
            ("run", f"{self.path.name} ({start.run_id})"),
            ("status", self.recording.status),
            *([("parts", self._parts())] if len(self.recordings) > 1 else []),
            *([("ended by", self.ended_by)] if self.ended_by else []),
            ("software", ", ".join(f"{k} {v}" for k, v in start.software.items() if v)),
            ("board", ", ".join(f"{k} {v}" for k, v in start.board.items()) or "none"),
            ("port", start.port or "none"),
            ("audio", f"{start.audio.sample_rate_hz} Hz, {start.audio.channel_count} channels"),
            ("notes from", self.note_source()),
            ("calibrated", "yes" if start.calibrated else "no"),
            ("seed", str(start.seed)),
        ]
        if line is not None:
            rows.append(
                (
                    "time line",
                    f"{line.method}: {line.used} used, {line.lost} lost, {line.extra} extra; "
                    f"residual {line.residual_sd_us:.2f} µs; clocks {line.ppm:+.1f} ppm apart",
                )
            )
        return rows


def _under_test(specimen: Specimen) -> list[tuple[str, str]]:
    """Pad, module and settings in force, line by line."""
    pad, module = specimen.pad, specimen.module
    settings = msgspec.structs.asdict(module.settings).items()
    lines = {
        "pad": (
            pad.name,
            pad.serial and f"serial {pad.serial}",
            pad.mounting,
            f"struck at {pad.strike_position:g} from centre (0) to edge (1)",
        ),
        "module": (
            module.name,
            f"firmware {module.firmware}",
            module.serial and f"serial {module.serial}",
        ),
        "settings": tuple(f"{name} = {value:g}" for name, value in settings if value is not None),
    }
    return [
        (name, ", ".join(part for part in parts if part) or "not told")
        for name, parts in lines.items()
    ]


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
        quiet = _idle_spans(part, own)
        shift_s = begin / part.sample_rate_hz
        for stage, found in quiet.items():
            spans.setdefault(stage, []).extend((a + shift_s, b + shift_s) for a, b in found)
        silent.append(_idle_samples(part, quiet, own))
    idle = np.concatenate(silent)[: round(_MOST_IDLE_S * recording.sample_rate_hz)]
    budget = {name: u * 1e-6 for name, (u, _) in table.budget.parts.items()}
    shared = [u for name, u in budget.items() if name not in ("onset", "stamp of the note")]
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
        differences=table.differences,
    )
    status = _STATUS[recording.status]
    rule = reader.protocol.decision_rule
    decisions = decide_all(reader.protocol.limits, measures, rule=rule, run_status=status)
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


def _idle_spans(recording: Recording, table: StrokeTable) -> dict[str, list[tuple[float, float]]]:
    """Stretches of idle stages, from the begin of their bursts to their planned end."""
    line = table.time_line
    idle = {s.name for s in recording.reader.protocol.stages if isinstance(s, IdleStage)}
    if line is None or not idle:
        return {}
    found: dict[str, list[tuple[float, float]]] = {}
    begun = recording.of_kind("burst_begin")
    zero = dict(zip(begun["value"], begun["stamp_int"], strict=True))
    for burst in recording.bursts.itertuples():
        if burst.stage in idle and burst.burst in zero:
            ticks = np.array([0, burst.duration_us], dtype=float) * TICKS_PER_US
            begin, end = line.t_s(zero[burst.burst] + ticks)
            end = min(float(end), recording.duration_s)
            if end > begin:
                found.setdefault(str(burst.stage), []).append((float(begin), end))
    return found


def _idle_samples(
    recording: Recording, spans: dict[str, list[tuple[float, float]]], table: StrokeTable
) -> npt.NDArray[np.float32]:
    """Sensor samples while nothing was struck: idle stages, or the silence before strokes."""
    idle = {s.name for s in recording.reader.protocol.stages if isinstance(s, IdleStage)}
    chosen = [span for name in idle for span in spans.get(name, [])]
    if not chosen:
        first_s = table.strokes["drive_t_s"].fillna(table.strokes["onset_t_s"]).min()
        if np.isfinite(first_s):
            chosen = [(0.0, float(first_s))]
    reader, rate_hz = recording.reader.audio, recording.sample_rate_hz
    onsets = table.strokes["onset_t_s"].to_numpy(float)
    pieces: list[npt.NDArray[np.float32]] = []
    left_s = _MOST_IDLE_S
    for begin, end in chosen:
        # a stage may begin while the last stroke of the one before still rings
        before = onsets[onsets < begin + _IDLE_MARGIN_S]
        begin = max(begin + _IDLE_MARGIN_S, before.max(initial=-np.inf) + _RINGS_S)
        end = min(end - _IDLE_MARGIN_S, begin + left_s)
        struck = np.any((onsets >= begin) & (onsets < end))
        if end - begin > 2 * _IDLE_MARGIN_S and not struck:
            first = round(begin * rate_hz)
            samples = reader.window(first, round(end * rate_hz) - first)
            sensor = samples[:, recording.roles["sensor"]]
            pieces.append(sensor[np.isfinite(sensor)])
            left_s -= end - begin
    return np.concatenate(pieces) if pieces else np.zeros(0, np.float32)


def write_tables(analysis: Analysis) -> Path:
    """Write stroke and note tables (Parquet and CSV) and ``measures.json``; give their folder.

    Files are replaced whole: a reader never sees half of one.
    """
    folder = analysis.path / FOLDER
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise BenchError(
            f"writing the tables: {folder} can't be made a folder ({error.strerror}); move away "
            "what is there, or see to the permissions of the run folder"
        ) from error
    for name, table in (("strokes", analysis.table.strokes), ("notes", analysis.table.notes)):
        for suffix in ("parquet", "csv"):
            part = folder / f"{name}.{suffix}.part"
            if suffix == "csv":
                table.to_csv(part, index=False)
            else:
                table.to_parquet(part, index=False)
            part.replace(folder / f"{name}.{suffix}")
    record = to_json(
        analysis.measures,
        analysis.decisions,
        run_status=_STATUS[analysis.recording.status],
        **_facts(analysis),
    )
    part = folder / "measures.json.part"
    part.write_text(json.dumps(record, indent=1, allow_nan=False) + "\n", encoding="utf-8")
    part.replace(folder / "measures.json")
    return folder


def _facts(analysis: Analysis) -> dict[str, Any]:
    start = analysis.start
    return {
        "run_id": start.run_id,
        "created_utc": start.created_utc,
        "software": start.software,
        "protocol": start.protocol_name,
        "bench": start.bench_name,
        "pad": start.pad_name,
        "module": start.module_name,
        "firmware": start.module_firmware,
        "note_source": analysis.table.facts["note_source"],
        "calibrated": start.calibrated,
        "doubts": analysis.doubts,
        "budget_us": {k: v * 1e6 for k, v in analysis.budget_s.items()},
    }
