"""Reads a run folder, whole or cut, and says what is wrong with it."""

from __future__ import annotations

import concurrent.futures
import contextlib
import functools
from collections.abc import Iterator
from pathlib import Path

import pandas as pd

from rig.record.audio_file import AudioReader
from rig.record.bench_fault import COPY_AGAIN, BadFileError
from rig.record.bench_file import BenchFile
from rig.record.event_log import read_events
from rig.record.loaders import parse_bench, parse_protocol, parse_specimen
from rig.record.plan import Plan
from rig.record.plan_csv import plan_from_csv
from rig.record.protocol import Protocol
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
    WINDOWS,
    StartRecord,
    Status,
    StopRecord,
    read_record,
    sha256_of,
)
from rig.record.specimen import Specimen


class RunReader:
    """One recorded run.

    Attributes
    ----------
    path
        Its folder.
    start, stop
        The records; ``stop`` is None without a readable one.
    status
        complete, stopped, failed, or incomplete: no stop record, or less in the folder than the
        stop record counts.
    faults
        A sentence for each thing that is wrong but can be lived with.
    """

    def __init__(self, path: Path, start: StartRecord, stop: StopRecord | None) -> None:
        self.path = path
        self.start = start
        self.stop = stop
        self.status: Status = stop.outcome if stop is not None else "incomplete"
        self.faults: list[str] = []

    @classmethod
    def open(cls, path: Path | str) -> RunReader:
        """Open a run folder.

        Small files are checked against their checksums, the recording against its length;
        ``verify`` sums it as well.

        Raises
        ------
        BadFileError
            It is no run folder, its format is of another version, or something in it has been
            changed, or lost before its end.
        """
        run = cls.begun(path)
        if faults := run.check():
            raise BadFileError(faults)
        return run

    @classmethod
    def begun(cls, path: Path | str) -> RunReader:
        """Read the records of a run folder, and check nothing else of it."""
        folder = Path(path)
        if not folder.is_dir():
            raise BadFileError(
                [f"{folder}: no run folder is here; give the one that run or import has made"]
            )
        if not (folder / START).exists():
            raise BadFileError(
                [
                    f"{folder}: no run folder: it has no {START}; give the one that run or import "
                    "has made"
                ]
            )
        try:
            start = read_record(folder / START, StartRecord)
        except BadFileError as error:
            raise BadFileError(
                [
                    f"{error}. It stands whole on the disk before the first strike. {COPY_AGAIN}; "
                    "if it never was whole, nothing was struck: start a new run"
                ]
            ) from error
        stop, stop_fault = None, f"{folder}: no stop record: the run is incomplete"
        if (folder / STOP).exists():
            try:
                stop = read_record(folder / STOP, StopRecord)
            except BadFileError as error:
                stop_fault = f"{error}; the run is incomplete"
        run = cls(folder, start, stop)
        if stop is None:
            run.faults.append(stop_fault)
        elif stop.outcome != "complete":
            ended = "failed" if stop.outcome == "failed" else "was stopped"
            run.faults.append(f"{folder}: the run {ended}: {stop.reason}")
        return run

    def check(self) -> list[str]:
        """Give a sentence for each thing that can't be lived with."""
        faults: list[str] = []
        for check in (self._check_files, self._check_events, self._check_audio):
            try:
                check()
            except BadFileError as error:
                faults += error.faults
        return faults

    def _check_files(self) -> None:
        faults = []
        expected = {name: self.start.files.get(name, "") for name in MADE_BEFORE_START}
        if self.stop is not None:
            if self.stop.run_id != self.start.run_id:
                faults.append(
                    f"{self.path / STOP}: belongs to another run ({self.stop.run_id}). {COPY_AGAIN}"
                )
            start_stream = self.stop.streams.get(START)
            expected[START] = start_stream.sha256 if start_stream is not None else ""
        for name, sha256 in expected.items():
            if not (self.path / name).is_file():
                faults.append(missing(self.path / name))
            elif sha256_of(self.path / name) != sha256:
                faults.append(changed(self.path / name))
        if faults:
            raise BadFileError(faults)

    def _check_events(self) -> None:
        path = self.path / EVENTS
        if not path.is_file():
            raise BadFileError([missing(path)])
        self.faults += self._events_and_faults[1]
        if self.stop is None:
            return
        stream = self.stop.streams.get(EVENTS)
        size = path.stat().st_size
        if stream is not None and size < stream.bytes:
            self._short(path, f"{len(self.events)} of {stream.count} events are left")
        elif stream is None or stream.sha256 != sha256_of(path):
            raise BadFileError([changed(path)])
        elif stream.count != len(self.events):
            raise BadFileError(
                [
                    f"{path}: {len(self.events)} events found; the stop record counts "
                    f"{stream.count}. {COPY_AGAIN}"
                ]
            )

    def _check_audio(self) -> None:
        path = self.path / self.start.audio.file_name
        stream = self.stop.streams.get(path.name) if self.stop is not None else None
        if not path.is_file():
            if stream is not None:
                raise BadFileError([missing(path)])
            if self.stop is None:
                self.faults.append(f"{path}: is missing; there is no recording")
            return
        frames = self.audio.stored_count
        if self.stop is None or self.status == "incomplete":
            self.faults += self.audio.faults
        self._check_windows()
        if self.stop is None:
            if self.audio.cut:
                self.faults.append(f"{path}: not finished; its {frames} whole frames are read")
        elif stream is None:
            raise BadFileError(
                [f"{path}: the stop record knows of no recording. Move it out of the run folder"]
            )
        elif path.stat().st_size < stream.bytes:
            self._short(path, f"{frames} of {stream.count} frames are left")
        elif path.stat().st_size > stream.bytes or frames != stream.count:
            raise BadFileError(
                [
                    f"{path}: {frames} frames found; the stop record counts {stream.count}. "
                    f"{COPY_AGAIN}"
                ]
            )

    @contextlib.contextmanager
    def same_sound(self) -> Iterator[None]:
        """Hold the recording against its checksum while it is read; the two run side by side.

        A run without a stop record, or one that was cut since, has none that holds.

        Raises
        ------
        BadFileError
            On leaving: a byte of it was changed, whatever else was raised of that.
        """
        path = self.path / self.start.audio.file_name
        stream = self.stop.streams.get(path.name) if self.stop is not None else None
        if stream is None or not path.is_file() or path.stat().st_size != stream.bytes:
            yield
            return
        with concurrent.futures.ThreadPoolExecutor(1) as other:
            summed = other.submit(sha256_of, path)
            try:
                yield
            finally:
                if summed.result() != stream.sha256:
                    raise BadFileError([changed(path)])

    def _check_windows(self) -> None:
        path = self.path / WINDOWS
        windows = self.audio.windows
        if windows is None or self.stop is None:
            return
        stream = self.stop.streams.get(WINDOWS)
        if stream is None or path.stat().st_size > stream.bytes:
            raise BadFileError([changed(path)])
        if path.stat().st_size < stream.bytes:
            self._short(path, f"{windows.row_count} of {stream.count} rows are left")
        elif sha256_of(path) != stream.sha256:
            raise BadFileError([changed(path)])

    def _short(self, path: Path, what: str) -> None:
        self.status = "incomplete"
        self.faults.append(f"{path}: cut since it was recorded: {what}")

    @functools.cached_property
    def protocol(self) -> Protocol:
        """The protocol as it was read for the run."""
        return parse_protocol(self._text(PROTOCOL), str(self.path / PROTOCOL))

    @functools.cached_property
    def bench(self) -> BenchFile:
        """The bench file as it was read for the run."""
        return parse_bench(self._text(BENCH), str(self.path / BENCH))

    @functools.cached_property
    def specimen(self) -> Specimen:
        """The specimen file as it was read for the run."""
        return parse_specimen(self._text(SPECIMEN), str(self.path / SPECIMEN))

    @functools.cached_property
    def plan(self) -> Plan:
        """What was to be struck."""
        return plan_from_csv((self.path / PLAN).read_bytes(), (self.path / BURSTS).read_bytes())

    @property
    def events(self) -> pd.DataFrame:
        """All events; columns as ``event_log.read_events`` gives them."""
        return self._events_and_faults[0]

    @functools.cached_property
    def _events_and_faults(self) -> tuple[pd.DataFrame, list[str]]:
        return read_events(self.path / EVENTS)

    @functools.cached_property
    def audio(self) -> AudioReader:
        """The recording. BadFileError if there is none."""
        facts = self.start.audio
        path = self.path / facts.file_name
        if not path.is_file():
            raise BadFileError([f"{path}: is missing; there is no recording. {COPY_AGAIN}"])
        index = self.path / WINDOWS if facts.record.keep == "windows" else None
        if index is not None and not index.is_file():
            raise BadFileError(
                [f"{index}: is missing; without it nobody knows when what sounded. {COPY_AGAIN}"]
            )
        return AudioReader(path, facts.sample_rate_hz, facts.roles, index)

    def _text(self, name: str) -> str:
        return (self.path / name).read_bytes().decode()


def missing(path: Path) -> str:
    """Say that a file is gone, and what to do."""
    return f"{path}: is missing. {COPY_AGAIN}"


def changed(path: Path) -> str:
    """Say that a file is not as it was recorded, and what to do."""
    return (
        f"{path}: has been changed or cut since it was recorded, and can't be trusted. {COPY_AGAIN}"
    )
