"""The truth of a simulated run, written beside it for tests. The analysis never reads it."""

from __future__ import annotations

import itertools
import json
import os
import shutil
import tempfile
import weakref
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import IO, Any, TypeVar

from rig.simulation.module_figures import ModuleNote
from rig.simulation.pad import StrokeSound

_Row = TypeVar("_Row")

FORMAT = 1
_TABLES = ("pulses", "contacts", "notes")

SETTLED_S = 5.0
"""A note's cause, and a pulse's end, are known after so long."""


def truth_path(run_path: str | os.PathLike[str]) -> Path:
    """``RUN.truth.json`` beside a run folder ``RUN``."""
    run = Path(run_path)
    return run.with_name(run.name + ".truth.json")


def contact_rows(sounds: Sequence[StrokeSound]) -> list[dict[str, Any]]:
    """One row a contact, in order of time; all times are true seconds."""
    return [
        {
            "strike": sound.contact.strike,
            "striker": sound.contact.striker,
            "coil_on_s": sound.contact.coil_on_s,
            "contact_s": sound.contact.contact_s,
            "onset_s": sound.onset_s,
            "force_n": sound.contact.force_n,
            "velocity_m_per_s": sound.contact.velocity_m_per_s,
            "duration_s": sound.contact.duration_s,
            "level": sound.level,
            "position": sound.contact.position,
            "temperature_c": sound.contact.temperature_c,
        }
        for sound in sounds
    ]


def note_rows(
    notes: Sequence[ModuleNote], sounds: Sequence[StrokeSound], first_row: int = 0
) -> list[dict[str, Any]]:
    """One row a note, in order of sending; ``contact``: row of its contact, -1 for none.

    ``first_row``: contacts before ``sounds`` begin.
    """
    by_strike: dict[int, list[int]] = {}
    for row, sound in enumerate(sounds):
        by_strike.setdefault(sound.contact.strike, []).append(row)

    def row_of(note: ModuleNote) -> int:
        rows = by_strike.get(note.strike, [])
        # the last one that began before the trigger; a coil held on too long strikes twice
        begun = [r for r in rows if sounds[r].contact.contact_s <= note.trigger_s + 1e-3]
        return first_row + begun[-1] if begun else -1

    return [
        {
            "trigger_s": note.trigger_s,
            "ready_s": note.ready_s,
            "end_s": note.end_s,
            "wire_s": note.end_s - note.start_s,
            "host_s": note.host_s,
            "sound_s": note.sound_s,
            "note": note.note,
            "velocity": note.velocity,
            "contact": row_of(note),
            "strike": note.strike,
            "reason": note.reason,
        }
        for note in notes
    ]


class TruthLog:
    """Holds what has settled on the disk, so that memory does not grow with a run.

    Nothing of it is left when the program ends, unless ``write`` has made a file of it.
    """

    def __init__(self) -> None:
        self._rows: dict[str, IO[str]] = {}
        self._count = dict.fromkeys(_TABLES, 0)

    def settle(
        self,
        pulses: list[dict[str, Any]],
        sounds: list[StrokeSound],
        notes: list[ModuleNote],
        now_s: float,
    ) -> None:
        """Take over what is so old that nothing changes it, out of the lists."""
        old_s = now_s - SETTLED_S
        struck = _taken(pulses, (pulse["off_s"] < old_s for pulse in pulses))
        self._put("pulses", struck)
        heard = _taken(notes, (note.end_s < old_s for note in notes))
        self._put("notes", note_rows(heard, sounds, self._count["contacts"]))
        # of a note that has not settled the contact is still looked for
        gone = (sound.contact.contact_s < old_s - SETTLED_S for sound in sounds)
        self._put("contacts", contact_rows(_taken(sounds, gone)))

    def _put(self, name: str, rows: Iterable[Mapping[str, Any]]) -> None:
        for row in rows:
            if name not in self._rows:
                self._rows[name] = file = _file_without_name()
                weakref.finalize(self, file.close)
            self._rows[name].write(_line(row, first=self._count[name] == 0))
            self._count[name] += 1

    def write(
        self,
        run_path: str | os.PathLike[str],
        bench: Mapping[str, Any],
        clocks: Mapping[str, Any],
        pulses: Sequence[Mapping[str, Any]],
        sounds: Sequence[StrokeSound],
        notes: Sequence[ModuleNote],
    ) -> Path:
        """Write the truth beside a run folder: what has settled, then what has not.

        Parameters
        ----------
        run_path
            The run folder; it isn't touched.
        bench
            What was under the strikers, by name.
        clocks
            ``board_ppm``, ``audio_ppm``, ``audio_rate_hz``, ``audio_start_s`` (true time of frame
            0) and ``audio_step_s`` (true time from frame to frame): true seconds t are at
            (t - audio_start_s) / audio_step_s / audio_rate_hz on the time line of the analysis.
        pulses
            One row a coil pulse.
        sounds, notes
            What followed.

        Returns
        -------
        pathlib.Path
            The file.
        """
        path = truth_path(run_path)
        late = {
            "pulses": [dict(pulse) for pulse in pulses],
            "contacts": contact_rows(sounds),
            "notes": note_rows(notes, sounds, self._count["contacts"]),
        }
        head = {"format": FORMAT, "bench": dict(bench), "clocks": dict(clocks)}
        with path.open("w", encoding="utf-8") as file:
            file.write(json.dumps(head, indent=1).removesuffix("\n}"))
            for name in _TABLES:
                file.write(f',\n "{name}": [')
                if name in self._rows:
                    self._rows[name].seek(0)
                    shutil.copyfileobj(self._rows[name], file)
                for place, row in enumerate(late[name]):
                    file.write(_line(row, first=place + self._count[name] == 0))
                file.write("\n ]")
            file.write("\n}\n")
        return path


def _file_without_name() -> IO[str]:
    return tempfile.TemporaryFile("w+", encoding="utf-8")


def _line(row: Mapping[str, Any], *, first: bool) -> str:
    return ("\n  " if first else ",\n  ") + json.dumps(row)


def _taken(rows: list[_Row], old: Iterable[bool]) -> list[_Row]:
    """Take the old ones at the head out of a list."""
    count = sum(1 for _ in itertools.takewhile(bool, old))
    head = rows[:count]
    del rows[:count]
    return head
