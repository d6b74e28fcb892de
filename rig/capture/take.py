"""A take from outside: its audio, notes and plan, checked whole before a run folder is made."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import soundfile

from rig.record.bench_fault import BenchError

BLOCK_FRAMES = 1 << 18
MARKER_SIDES, MARKER_STEP, LEAST_MARKER = 0.25, 0.5, 0.02
"""A marker swings to the one side at most so much of what it does to the other, rises by so much of
its peak from one sample to the next, and stands well above noise; a struck sensor is smoother."""
RATES_HZ = (8_000, 768_000)
"""As a bench file has them."""


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
    like_markers: tuple[int, ...] = ()
    """Channels that jump to one side, as a marker does and a sensor doesn't."""

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
            faults, like_markers = _faults_of(file, facts, channels)
            return dataclasses.replace(facts, like_markers=like_markers), faults
    except (soundfile.LibsndfileError, RuntimeError) as error:
        text = str(error).split(": ", 1)[-1]
        return None, [
            f"{path}: not readable as audio ({text}); give a WAV, RF64 or FLAC file that is whole"
        ]


def _faults_of(
    file: soundfile.SoundFile, facts: TakeAudio, channels: dict[str, int]
) -> tuple[list[str], tuple[int, ...]]:
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
    for number in sorted(set(numbers)):
        given = [role for role, one in channels.items() if one == number]
        if len(given) > 1:
            faults.append(
                f"{path}: channel {number} was given for {' and for '.join(given)}; each is on a "
                "channel of its own"
            )
    if not RATES_HZ[0] <= facts.sample_rate_hz <= RATES_HZ[1]:
        faults.append(
            f"{path}: {facts.sample_rate_hz} frames a second; {RATES_HZ[0]} to {RATES_HZ[1]} can "
            "be used, and 96000 tell onsets best"
        )
    promised, there = _data_bytes(path)
    if promised > there:
        faults.append(
            f"{path}: its header promises {promised} bytes of sound, {there} are there: the file "
            "is cut; copy it again"
        )
    if faults:
        return faults, ()
    columns = [number - 1 for number in numbers]
    read = 0
    highest, lowest, steepest = np.zeros((3, len(columns)))
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
            return faults, ()
        highest = np.maximum(highest, chosen.max(axis=0, initial=0.0))
        lowest = np.minimum(lowest, chosen.min(axis=0, initial=0.0))
        steps = np.abs(np.diff(chosen, axis=0)).max(axis=0, initial=0.0)
        steepest = np.maximum(steepest, steps)
        read += len(block)
    if read < facts.frame_count:
        faults.append(
            f"{path}: its header promises {facts.frame_count} frames, {read} are there: the file "
            "is cut; copy it again"
        )
    peaks = np.maximum(highest, -lowest)
    for number, peak in zip(numbers, peaks, strict=True):
        if peak > 1.0 + 1e-6:
            faults.append(
                f"{path}: channel {number} reaches {peak:.3f} of full scale; at most 1 can be "
                "kept: scale the take down and export it again"
            )
    jumps = (steepest >= MARKER_STEP * peaks) & (peaks > LEAST_MARKER)
    jumps &= np.minimum(highest, -lowest) < MARKER_SIDES * peaks
    return faults, tuple(int(n) for n in np.array(numbers)[jumps])


def _data_bytes(path: Path) -> tuple[int, int]:
    """(Bytes of sound that a WAV's or RF64's header promises, those that are there); else (0, 0).

    Of a file that was written to a pipe the header promises nothing: 0 or FFFFFFFF.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        if file.read(4) not in (b"RIFF", b"RF64"):
            return 0, 0
        at, long_size = 12, 0
        while at + 8 <= size:
            file.seek(at)
            head = file.read(8)
            name, length = head[:4], int.from_bytes(head[4:], "little")
            if name == b"ds64":
                long_size = int.from_bytes(file.read(16)[8:], "little")
            if name == b"data":
                length = (long_size or 0) if length == 0xFFFFFFFF else length
                return length, size - at - 8
            at += 8 + length + length % 2
    return 0, 0
