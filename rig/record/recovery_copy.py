"""A readable copy of a run that was cut off: whole events, a finished recording, no stop record."""

from __future__ import annotations

import shutil
from pathlib import Path

import msgspec

from rig.record.audio_file import AudioSink
from rig.record.record_error import RecordError
from rig.record.run_reader import RunReader
from rig.record.run_records import (
    EVENTS,
    MADE_BEFORE_START,
    START,
    WINDOWS,
    encode_record,
)

RECOVERED = "recovered.json"
"""Says in the copy what it is and what is left."""


class Recovered(msgspec.Struct, frozen=True, kw_only=True):
    """What is left of a run.

    ``bursts_begun`` and ``strikes_made`` count the board's events; ``recorded_s`` is NaN without a
    recording; ``faults`` are those of the original.
    """

    status: str
    original: str
    events: int
    bursts_planned: int
    bursts_begun: int
    strikes_planned: int
    strikes_made: int
    recorded_s: float
    faults: tuple[str, ...]


def recover_copy(path: Path | str, out: Path | str) -> Recovered:
    """Copy what can be read of an incomplete run into a new folder; the original is only read.

    The copy has no stop record, so that it stays *incomplete* for every reader.

    Parameters
    ----------
    path, out
        The run folder, and the folder to make.

    Raises
    ------
    BadFileError
        The run can't be read: its start is missing, or something was changed in its middle.
    RecordError
        The run is not incomplete, or the copy can't be made.
    """
    run = RunReader.open(path)
    if run.status != "incomplete":
        raise RecordError(
            f"{run.path}: nothing to recover: the run is {run.status}, with its stop record. "
            "It can be analysed as it is."
        )
    folder = Path(out)
    try:
        folder.mkdir(parents=True)
        for name in (START, *MADE_BEFORE_START):
            shutil.copyfile(run.path / name, folder / name)
        _copy_whole_lines(run.path / EVENTS, folder / EVENTS)
        recorded_s = float("nan")
        facts = run.start.audio
        if (run.path / facts.file_name).is_file():
            recorded_s = run.audio.duration_s
            sink = AudioSink(
                folder / facts.file_name,
                facts.sample_rate_hz,
                facts.channel_count,
                facts.record.coding,
            )
            try:
                for _, samples in run.audio.blocks():
                    sink.write(samples)
            finally:
                sink.close()
            if run.audio.windows is not None:
                _copy_whole_lines(run.path / WINDOWS, folder / WINDOWS)
        kinds = run.events["kind"]
        found = Recovered(
            status="incomplete",
            original=str(run.path.resolve()),
            events=len(kinds),
            bursts_planned=len(run.plan.bursts),
            bursts_begun=int((kinds == "burst_begin").sum()),
            strikes_planned=len(run.plan.strikes),
            strikes_made=int((kinds == "coil_on").sum()),
            recorded_s=recorded_s,
            faults=tuple(run.faults),
        )
        (folder / RECOVERED).write_bytes(encode_record(found))
    except FileExistsError as error:
        raise RecordError(
            f"{folder}: can't recover into this folder, it exists; nothing is ever overwritten. "
            "Name another with --out."
        ) from error
    except OSError as error:
        raise RecordError(
            f"{folder}: can't write the copy: {error.strerror}. The run itself is untouched."
        ) from error
    return found


def _copy_whole_lines(source: Path, target: Path) -> None:
    content = source.read_bytes()
    target.write_bytes(content[: content.rfind(b"\n") + 1])
