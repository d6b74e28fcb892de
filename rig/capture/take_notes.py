"""Notes of a take from outside: a standard MIDI file, or a CSV with times on the audio clock."""

from __future__ import annotations

import dataclasses
import io
from pathlib import Path

import mido
import numpy as np
import numpy.typing as npt

from rig.capture.take_table import read_table


@dataclasses.dataclass(frozen=True)
class TakeNotes:
    """Channel messages in order of time.

    Attributes
    ----------
    time_s
        End of each message's last byte, seconds on the audio clock from its first frame.
    data
        The bytes of each message.
    resolution_s
        Smallest step that the file can tell; 0 where it is finer than any clock here.
    """

    time_s: npt.NDArray[np.float64]
    data: tuple[bytes, ...]
    resolution_s: float


def read_notes(path: Path) -> tuple[TakeNotes | None, list[str]]:
    """Read the notes of a take and list all faults of the file.

    ``.csv``: columns time_s, note, velocity and, if given, channel (1 to 16, else 10); or the notes
    table of a run's analysis. Any other name: a standard MIDI file, its first tick taken as the
    first frame of the audio.
    """
    if not path.is_file():
        return None, [f"{path}: no such file of notes"]
    if path.suffix.lower() == ".csv":
        return _from_csv(path)
    return _from_midi_file(path)


def _from_csv(path: Path) -> tuple[TakeNotes | None, list[str]]:
    table, faults = read_table(
        path,
        needed=("time_s", "note", "velocity"),
        allowed=("channel",),
        own_time="note_t_s",
    )
    if table is None:
        return None, faults
    for name, least, most in (("note", 0, 127), ("velocity", 0, 127), ("channel", 1, 16)):
        if name in table:
            values = table[name].to_numpy(float)
            bad = ~((values >= least) & (values <= most) & (values == np.round(values)))
            faults += [
                f"{path}, line {row + 2}: {name} {values[row]:g} found; whole numbers from "
                f"{least} to {most} are allowed"
                for row in np.flatnonzero(bad)[:5]
            ]
    time_s = table["time_s"].to_numpy(float)
    if not np.isfinite(time_s).all():
        faults.append(f"{path}: time_s holds {np.count_nonzero(~np.isfinite(time_s))} non-numbers")
    if faults:
        return None, faults
    order = np.argsort(time_s, kind="stable")
    channel = table["channel"].to_numpy(int) if "channel" in table else np.full(len(table), 10)
    data = tuple(
        bytes((0x90 | int(channel[row]) - 1, int(table["note"].iloc[row]), int(velocity)))
        for row, velocity in zip(order, table["velocity"].to_numpy()[order], strict=True)
    )
    return TakeNotes(time_s[order], data, 0.0), []


def _from_midi_file(path: Path) -> tuple[TakeNotes | None, list[str]]:
    content = path.read_bytes()
    if not content.startswith(b"MThd"):
        return None, [f"{path}: not a standard MIDI file (it does not begin with MThd), nor a .csv"]
    try:
        # clip: a file with a data byte out of range is read as far as it makes sense
        file = mido.MidiFile(file=io.BytesIO(content), clip=True)
        times: list[float] = []
        data: list[bytes] = []
        now_s = 0.0
        for message in file:
            now_s += message.time
            if not message.is_meta and message.type != "sysex":
                times.append(now_s)
                data.append(bytes(message.bytes()))
    except (EOFError, OSError, ValueError, KeyError, IndexError, TypeError) as error:
        reason = str(error) or "it ends in the middle"
        return None, [f"{path}: the MIDI file can't be read: {reason}; export it again"]
    ticks = max(1, file.ticks_per_beat)
    tempo_us = max(
        (m.tempo for track in file.tracks for m in track if m.type == "set_tempo"), default=500_000
    )
    return TakeNotes(np.array(times), tuple(data), tempo_us * 1e-6 / ticks), []
