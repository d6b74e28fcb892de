"""Writes a run folder: raw data goes in once, in order, and is never changed."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import msgspec
import numpy.typing as npt

from rig.record.audio_file import AudioReader, AudioSink
from rig.record.bench_fault import BenchError
from rig.record.disk import sync_folder, write_new, write_over
from rig.record.event_log import Clock, EventWriter
from rig.record.plan import Plan
from rig.record.plan_csv import plan_to_csv
from rig.record.record_error import RecordError
from rig.record.run_records import (
    BENCH,
    BURSTS,
    EVENTS,
    MADE_BEFORE_START,
    PLAN,
    PROTOCOL,
    SPECIMEN,
    START,
    STOP,
    STOP_RESERVE,
    WINDOWS,
    Outcome,
    StartRecord,
    StopRecord,
    Stream,
    encode_record,
    sha256_of,
    utc_now,
)
from rig.record.window_sink import WindowSink

_RESERVE_BYTES = 8192


class RecordingSink:
    """Where a run's samples go; made by ``RunWriter.open_audio``."""

    def __init__(self, writer: RunWriter, sink: AudioSink | WindowSink) -> None:
        self._writer = writer
        self._sink = sink

    @property
    def frames_written(self) -> int:
        """Frames taken so far, kept or not."""
        return self._sink.frames_written

    def write(self, samples: npt.ArrayLike) -> None:
        """Append float32 samples (frames, channels), full scale ±1.

        RecordError if they can't be kept: then the run is closed as failed. RecordError too if they
        have another shape or are not finite: then none of them is written, and the run goes on.
        """
        self._writer.check_open()
        with self._writer.ends_as_failed("writing the recording"):
            try:
                self._sink.write(samples)
            except ValueError as error:
                raise RecordError(f"{self._writer.path}: the audio input gave {error}") from error


class RunWriter:
    """One run's folder while the run lasts. A context manager.

    Left without ``close``, the run is closed as failed, or as stopped if it was left by
    KeyboardInterrupt.
    """

    def __init__(self, path: Path, start: StartRecord, events: EventWriter) -> None:
        self.path = path
        self.start = start
        self._events = events
        self._audio: AudioSink | WindowSink | None = None
        self._closed = False
        self._plan_rows: dict[str, int] = {}

    @classmethod
    def create(
        cls,
        path: Path | str,
        *,
        start: StartRecord,
        plan: Plan,
        protocol_text: str,
        bench_text: str,
        specimen_text: str,
    ) -> Self:
        """Make the folder and all that stands before the first strike, and bring it to the disk.

        Raises
        ------
        RecordError
            The folder exists (nothing is ever overwritten) or can't be written.
        """
        folder = Path(path)
        strikes_csv, bursts_csv = plan_to_csv(plan)
        contents = {
            PROTOCOL: protocol_text.encode(),
            BENCH: bench_text.encode(),
            SPECIMEN: specimen_text.encode(),
            PLAN: strikes_csv,
            BURSTS: bursts_csv,
        }
        try:
            folder.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise RecordError(
                f"{folder}: can't make the folder {folder.parent} for it: {error.strerror}; give "
                "another place"
            ) from error
        try:
            folder.mkdir()
        except FileExistsError as error:
            raise RecordError(
                f"{folder}: can't start a run here, the folder exists. Runs are never "
                "overwritten: give another name, or move the old run away."
            ) from error
        except OSError as error:
            raise RecordError(
                f"{folder}: can't make the run folder: {error.strerror}; give another place"
            ) from error
        try:
            for name, content in contents.items():
                write_new(folder / name, content)
            # room for the stop record is taken now, so that a full disk can still be told
            write_new(folder / STOP_RESERVE, b" " * _RESERVE_BYTES)
            files = {name: sha256_of(folder / name) for name in MADE_BEFORE_START}
            start = msgspec.structs.replace(start, files=files)
            write_new(folder / START, encode_record(start))
            events = EventWriter(folder / EVENTS)
            sync_folder(folder)
        except OSError as error:
            raise RecordError(
                f"{folder}: can't write the start of the run: {error.strerror}. Nothing has been "
                "struck. Make room or choose another disk, and start again."
            ) from error
        writer = cls(folder, start, events)
        writer._plan_rows = {PLAN: len(plan.strikes), BURSTS: len(plan.bursts)}
        return writer

    def event(self, kind: str, clock: Clock, stamp: float, **fields: Any) -> int:
        """Append one event and give its number.

        Parameters
        ----------
        kind, clock, stamp
            As in RUN_FOLDER.md; integer stamps keep all 64 bits.
        fields
            value, strike, ticks, bound_ns (int), data (hex), text.

        Raises
        ------
        RecordError
            It can't be written: the run is closed as failed, all that was recorded is kept.
        ValueError
            A kind or clock that does not exist, or a stamp that is not finite.
        """
        self.check_open()
        with self.ends_as_failed("writing an event"):
            return self._events.append(kind, clock, stamp, **fields)

    def flush(self) -> None:
        """Bring all that was recorded to the disk; once a burst."""
        self.check_open()
        with self.ends_as_failed("bringing the record to the disk"):
            self._events.flush()
            if self._audio is not None:
                self._audio.flush()

    def open_audio(self, sample_rate_hz: int, channels: int) -> RecordingSink:
        """Open the recording; rate and channels must be those of the start record."""
        self.check_open()
        facts = self.start.audio
        if (sample_rate_hz, channels) != (facts.sample_rate_hz, facts.channel_count):
            raise RecordError(
                f"{self.path}: the audio input gives {channels} channels at {sample_rate_hz} Hz; "
                f"the bench file asks for {facts.channel_count} at {facts.sample_rate_hz} Hz"
            )
        if self._audio is not None:
            raise RecordError(f"{self.path}: the recording is open already")
        with self.ends_as_failed("opening the recording"):
            if facts.record.keep == "windows":
                self._audio = WindowSink(
                    self.path / facts.file_name,
                    self.path / WINDOWS,
                    sample_rate_hz,
                    channels,
                    [facts.roles[role] for role in ("sensor", "marker") if role in facts.roles],
                    facts.record.before_ms,
                    facts.record.after_ms,
                    facts.record.coding,
                )
            else:
                self._audio = AudioSink(
                    self.path / facts.file_name, sample_rate_hz, channels, facts.record.coding
                )
        return RecordingSink(self, self._audio)

    def check_open(self) -> None:
        """Raise RecordError if the run is closed."""
        if self._closed:
            raise RecordError(f"{self.path}: the run is closed; nothing more is recorded in it")

    @contextlib.contextmanager
    def ends_as_failed(self, doing: str) -> Iterator[None]:
        """Close the run as failed if the disk gives an error inside the block."""
        try:
            yield
        except OSError as error:
            reason = f"{doing} failed: {error.strerror or error}"
            with contextlib.suppress(RecordError):
                self.close("failed", reason)
            raise RecordError(
                f"{self.path}: {reason}. The run has ended as failed; what was recorded up to here "
                "is kept. Make room or choose another disk, and run again."
            ) from error

    def close(self, outcome: Outcome, reason: str = "") -> None:
        """End the run: close the streams, count and sum them, write the stop record.

        A run that is closed already stays as it is. If a stream can't be finished, the outcome
        becomes failed; if not even the stop record can be written, RecordError is raised and the
        run reads as incomplete.
        """
        if self._closed:
            return
        self._closed = True
        try:
            self._events.close()
            if self._audio is not None:
                self._audio.close()
        except OSError as error:
            if outcome != "failed":
                outcome = "failed"
                reason = f"closing the streams failed: {error.strerror or error}"
        try:
            self._write_stop(outcome, reason)
        except OSError as error:
            raise RecordError(
                f"{self.path}: can't write the stop record: {error.strerror}. The run will read as "
                "incomplete; what was recorded is kept."
            ) from error

    def _write_stop(self, outcome: Outcome, reason: str) -> None:
        counts = dict.fromkeys((START, PROTOCOL, BENCH, SPECIMEN), 1)
        counts |= self._plan_rows
        counts[EVENTS] = self._events.lines_written
        facts = self.start.audio
        if self._audio is not None and (self.path / facts.file_name).exists():
            with contextlib.suppress(BenchError):
                reader = AudioReader(self.path / facts.file_name, facts.sample_rate_hz, facts.roles)
                counts[facts.file_name] = reader.stored_count
            if isinstance(self._audio, WindowSink):
                counts[WINDOWS] = self._audio.index.rows_written
        streams = {
            name: Stream(
                bytes=(self.path / name).stat().st_size,
                count=count,
                sha256=sha256_of(self.path / name),
            )
            for name, count in counts.items()
        }
        record = StopRecord(
            run_id=self.start.run_id,
            stopped_utc=utc_now(),
            outcome=outcome,
            reason=reason,
            streams=streams,
        )
        part = self.path / STOP_RESERVE
        write_over(part, encode_record(record))
        part.rename(self.path / STOP)
        sync_folder(self.path)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        if self._closed:
            return
        if isinstance(error, KeyboardInterrupt):
            self.close("stopped", "stopped by hand")
            return
        reason = str(error) or type(error).__name__ if error else "left without a stop record"
        # the first error is the one to tell
        with contextlib.suppress(RecordError) if error else contextlib.nullcontext():
            self.close("failed", reason)
