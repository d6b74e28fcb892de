"""The start and stop records of a run, and the names of its files."""

from __future__ import annotations

import datetime
import hashlib
from pathlib import Path
from typing import Any, Literal, TypeVar

import msgspec

from rig.record.bench_fault import BadFileError
from rig.record.endurance import Coding, Record
from rig.record.limits import AgreedLimits

FORMAT_VERSION = 1

START = "start.json"
STOP = "stop.json"
STOP_RESERVE = "stop.json.part"
PROTOCOL = "protocol.toml"
BENCH = "bench.toml"
SPECIMEN = "specimen.toml"
PLAN = "plan.csv"
BURSTS = "bursts.csv"
EVENTS = "events.jsonl"
AUDIO: dict[Coding, str] = {"rf64": "sensor.wav", "flac": "sensor.flac"}
"""The recording, by its coding."""
WINDOWS = "windows.jsonl"
MADE_BEFORE_START = (PROTOCOL, BENCH, SPECIMEN, PLAN, BURSTS)

Outcome = Literal["complete", "stopped", "failed"]
Status = Literal["complete", "stopped", "failed", "incomplete"]

CLOCKS = {
    "controller": "ticks of 0.5 us, widened to 64 bits",
    "audio": "frames of the audio input since its start",
    "host": "ns of the port's monotonic clock",
}


class AudioFacts(msgspec.Struct, frozen=True, kw_only=True):
    """What the recording holds.

    ``roles``: role to column of the samples, counted from 0; ``record``: how much of it is kept,
    and how it is coded.
    """

    sample_rate_hz: int
    roles: dict[str, int]
    newtons_per_full_scale: float | None = None
    record: Record = Record()

    @property
    def channel_count(self) -> int:
        """Number of channels: one past the highest column."""
        return max(self.roles.values(), default=-1) + 1

    @property
    def file_name(self) -> str:
        """Name of the recording in the run folder."""
        return AUDIO[self.record.coding]


class StartRecord(msgspec.Struct, frozen=True, kw_only=True):
    """All that is known before the first strike; ``make_start`` fills most of it.

    ``files`` (name to SHA-256) is filled by the writer.
    """

    format_version: int = FORMAT_VERSION
    run_id: str
    created_utc: str
    software: dict[str, str | bool | None]
    protocol_name: str
    bench_name: str
    pad_name: str
    module_name: str
    module_firmware: str
    audio: AudioFacts
    sources: tuple[str, ...]
    """Where notes come from: board_din, host, din_line, import."""
    limits: AgreedLimits | None = None
    """As echoed by the board; None where no board took part (an import)."""
    board: dict[str, Any] = {}
    """Identity that the board gave; empty without a board."""
    port: str = ""
    """Port or URL of the board."""
    seed: int = 1
    part: int = 1
    """Of a run that was continued: which part this is."""
    continues: str = ""
    """``run_id`` of the first part, for the later ones."""
    gap_s: float = 0.0
    """Time since the part before ended."""
    calibrated: bool = False
    clocks: dict[str, str] = msgspec.field(default_factory=CLOCKS.copy)
    files: dict[str, str] = {}


class Stream(msgspec.Struct, frozen=True, kw_only=True):
    """One file at the close of the run; ``count``: events, frames or rows."""

    bytes: int
    count: int
    sha256: str


class StopRecord(msgspec.Struct, frozen=True, kw_only=True):
    """How the run ended, with counts and checksums of all that was recorded."""

    format_version: int = FORMAT_VERSION
    run_id: str
    stopped_utc: str
    outcome: Outcome
    reason: str
    streams: dict[str, Stream]


_Record = TypeVar("_Record", StartRecord, StopRecord)


def utc_now() -> str:
    """Give the time of day as an ISO 8601 text in UTC, to the millisecond."""
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="milliseconds")


def sha256_of(path: Path) -> str:
    """SHA-256 of a file, read in pieces."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def encode_record(record: msgspec.Struct) -> bytes:
    """JSON text of a record; its last byte is the line end that shows it to be whole."""
    return msgspec.json.format(msgspec.json.encode(record), indent=1) + b"\n"


def read_record(path: Path, kind: type[_Record]) -> _Record:
    """Read a record; BadFileError if it is cut off, no such record, or of another version."""
    try:
        content = path.read_bytes()
    except OSError as error:
        raise BadFileError([f"{path}: can't be read: {error.strerror}"]) from error
    if not content.endswith(b"\n"):
        raise BadFileError([f"{path}: cut off; its last line end is missing"])
    try:
        record = msgspec.json.decode(content, type=kind)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise BadFileError([f"{path}: not a record of a run: {error}"]) from error
    if record.format_version != FORMAT_VERSION:
        raise BadFileError(
            [
                f"{path}: format version {record.format_version} found; this program reads "
                f"{FORMAT_VERSION}. The version that wrote it stands in it under software"
            ]
        )
    return record
