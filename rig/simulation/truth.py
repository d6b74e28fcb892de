"""The truth of a simulated run, written beside it for tests. The analysis never reads it."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from rig.simulation.module import ModuleNote
from rig.simulation.pad import StrokeSound

FORMAT = 1


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


def note_rows(notes: Sequence[ModuleNote], sounds: Sequence[StrokeSound]) -> list[dict[str, Any]]:
    """One row a note, in order of sending; ``contact``: row of its contact, -1 for none."""
    by_strike: dict[int, list[int]] = {}
    for row, sound in enumerate(sounds):
        by_strike.setdefault(sound.contact.strike, []).append(row)

    def row_of(note: ModuleNote) -> int:
        rows = by_strike.get(note.strike, [])
        # the last one that began before the trigger; a coil held on too long strikes twice
        begun = [r for r in rows if sounds[r].contact.contact_s <= note.trigger_s + 1e-3]
        return begun[-1] if begun else -1

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


def write_truth(
    run_path: str | os.PathLike[str],
    bench: Mapping[str, Any],
    clocks: Mapping[str, Any],
    pulses: Sequence[Mapping[str, Any]],
    sounds: Sequence[StrokeSound],
    notes: Sequence[ModuleNote],
) -> Path:
    """Write the truth beside a run folder.

    Parameters
    ----------
    run_path
        The run folder; it isn't touched.
    bench
        What was under the strikers, by name.
    clocks
        ``board_ppm``, ``audio_ppm``, ``audio_rate_hz``, ``audio_start_s`` (true time of frame 0)
        and ``audio_step_s`` (true time from frame to frame): true seconds t are at
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
    content = {
        "format": FORMAT,
        "bench": dict(bench),
        "clocks": dict(clocks),
        "pulses": [dict(p) for p in pulses],
        "contacts": contact_rows(sounds),
        "notes": note_rows(notes, sounds),
    }
    path.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")
    return path
