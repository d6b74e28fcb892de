"""Notes of a take from outside: a standard MIDI file, or a CSV with times on the audio clock."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import numpy.typing as npt

from rig.capture.midi_file import BadMidiError, read_midi_file
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
    remarks
        What can't be told from it, in sentences.
    """

    time_s: npt.NDArray[np.float64]
    data: tuple[bytes, ...]
    resolution_s: float
    remarks: tuple[str, ...] = ()

    @property
    def on_count(self) -> int:
        """How many notes begin."""
        return sum(one[0] & 0xF0 == 0x90 and one[2] > 0 for one in self.data)


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
    told = "\n".join(faults)
    for name, least, most in (("note", 0, 127), ("velocity", 0, 127), ("channel", 1, 16)):
        if name in table:
            values = table[name].to_numpy(float)
            # what is no number at all has been told
            bad = ~((values >= least) & (values <= most) & (values == np.round(values)))
            bad &= np.array(
                [f", line {r + 2}: {name}: " not in told for r in range(len(values))], dtype=bool
            )
            faults += [
                f"{path}, line {row + 2}: {name} {values[row]:g} found; whole numbers from "
                f"{least} to {most} are allowed"
                for row in np.flatnonzero(bad)[:5]
            ]
    time_s = table["time_s"].to_numpy(float)
    if not np.isfinite(time_s).all():
        faults.append(
            f"{path}: {np.count_nonzero(~np.isfinite(time_s))} rows without a finite time_s"
        )
    if faults:
        return None, faults
    order = np.argsort(time_s, kind="stable")
    channel = table["channel"].to_numpy(int) if "channel" in table else np.full(len(table), 10)
    data = tuple(
        bytes((0x90 | int(channel[row]) - 1, int(table["note"].iloc[row]), int(velocity)))
        for row, velocity in zip(order, table["velocity"].to_numpy()[order], strict=True)
    )
    remarks = (
        "notes from a table: it doesn't tell how many bytes each had on the wire; 3 are assumed.",
    )
    return TakeNotes(time_s[order], data, 0.0, remarks), []


def _from_midi_file(path: Path) -> tuple[TakeNotes | None, list[str]]:
    try:
        file = read_midi_file(path.read_bytes())
    except BadMidiError as error:
        return None, [
            f"{path}: can't be read as a standard MIDI file: {error}. Export it again, or give a "
            "CSV (time_s, note, velocity) with a name that ends in .csv"
        ]
    except OSError as error:
        return None, [f"{path}: can't be read: {error.strerror}"]
    remarks = [
        f"notes from a MIDI file: its step is {file.tick_s * 1e3:.3f} ms, and the program that "
        "wrote it stamped them by its own clock; their offset is not known."
    ]
    if file.real_time:
        remarks.append(
            f"{file.real_time} real-time bytes stood in the MIDI file, where they have no place; "
            "they were left out, and the messages about them kept."
        )
    return TakeNotes(np.array(file.time_s), file.data, file.tick_s, tuple(remarks)), []
