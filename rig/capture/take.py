"""A take from outside: its audio, notes and plan, checked whole before a run folder is made."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import soundfile

from rig.record.bench_fault import BenchError

BLOCK_FRAMES = 1 << 18


class BadTakeError(BenchError):
    """A take that can't be brought in; nothing was written."""


@dataclasses.dataclass(frozen=True)
class TakeAudio:
    """The facts of an audio file, after every sample of it was looked at."""

    path: Path
    sample_rate_hz: int
    channel_count: int
    frame_count: int
    format: str

    @property
    def duration_s(self) -> float:
        """Length of the take."""
        return self.frame_count / self.sample_rate_hz


def look_at_audio(path: Path, channels: dict[str, int]) -> tuple[TakeAudio | None, list[str]]:
    """Read an audio file through and list all its faults.

    Parameters
    ----------
    path
        WAV, RF64, FLAC or what else libsndfile reads.
    channels
        Role to channel number, counted from 1.

    Returns
    -------
    Its facts (None where it can't be read at all), and a sentence for each fault.
    """
    if not path.is_file():
        return None, [f"{path}: no such audio file"]
    if path.stat().st_size == 0:
        return None, [f"{path}: the audio file is empty (0 bytes)"]
    try:
        with soundfile.SoundFile(path) as file:
            facts = TakeAudio(path, file.samplerate, file.channels, file.frames, file.format)
            return facts, _faults_of(file, facts, channels)
    except (soundfile.LibsndfileError, RuntimeError) as error:
        text = str(error).split(": ", 1)[-1]
        return None, [
            f"{path}: not readable as audio ({text}); give a WAV, RF64 or FLAC file that is whole"
        ]


def _faults_of(file: soundfile.SoundFile, facts: TakeAudio, channels: dict[str, int]) -> list[str]:
    path = facts.path
    faults = []
    if facts.frame_count == 0:
        faults.append(f"{path}: the audio file holds no samples")
    for role, number in channels.items():
        if not 1 <= number <= facts.channel_count:
            faults.append(
                f"{path}: channel {number} was asked for as {role}; the file has "
                f"{facts.channel_count}, counted from 1"
            )
    numbers = list(channels.values())
    if len(set(numbers)) < len(numbers):
        faults.append(f"{path}: one channel can't have two roles ({channels})")
    if faults:
        return faults
    columns = [number - 1 for number in numbers]
    read = 0
    highest = np.zeros(len(columns))
    for block in file.blocks(BLOCK_FRAMES, dtype="float32", always_2d=True):
        chosen = block[:, columns]
        bad = ~np.isfinite(chosen)
        if bad.any():
            frame, column = np.argwhere(bad)[0]
            faults.append(
                f"{path}: channel {numbers[column]} holds {np.count_nonzero(bad[:, column])} "
                f"samples that are no numbers, the first at frame {read + frame} "
                f"({(read + frame) / facts.sample_rate_hz:.4f} s); export the take again"
            )
            return faults
        highest = np.maximum(highest, np.abs(chosen).max(axis=0, initial=0.0))
        read += len(block)
    if read < facts.frame_count:
        faults.append(
            f"{path}: its header promises {facts.frame_count} frames, {read} are there: the file "
            "is cut; copy it again"
        )
    for number, peak in zip(numbers, highest, strict=True):
        if peak > 1.0 + 1e-6:
            faults.append(
                f"{path}: channel {number} reaches {peak:.3f} of full scale; at most 1 can be "
                "kept: scale the take down and export it again"
            )
    return faults
