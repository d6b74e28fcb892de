"""Audio as it arrives: blocks that know their place on the audio clock."""

from __future__ import annotations

import dataclasses
from typing import Protocol

import numpy as np
import numpy.typing as npt


@dataclasses.dataclass(frozen=True, kw_only=True)
class AudioBlock:
    """Samples that came in one piece.

    Attributes
    ----------
    first_frame
        Frame of ``samples[0]`` on the audio clock: frames lost before it are counted too.
    samples
        float32, shape (frames, channels), full scale ±1. May hold no frame at all.
    dropped_frames
        Frames lost just before ``first_frame``; the record is padded with zeros for them.
    """

    first_frame: int
    samples: npt.NDArray[np.float32]
    dropped_frames: int = 0

    @property
    def end_frame(self) -> int:
        """Frame just after the last one of the block."""
        return self.first_frame + len(self.samples)


class AudioSource(Protocol):
    """Where audio comes from: an interface, or inputs that come with the board's port."""

    @property
    def sample_rate_hz(self) -> int:
        """Nominal sample rate, frames a second."""

    @property
    def channel_count(self) -> int:
        """Number of channels in each block."""

    def start(self) -> None:
        """Begin to record; the first frame counts as 0."""

    def read(self) -> list[AudioBlock]:
        """Give what has come since the last call, in order; never blocks.

        Raises
        ------
        rig.record.bench_fault.BenchError
            The device is gone, or its callback failed. What came before was given by the calls
            before.
        """

    def stop(self) -> None:
        """End the recording and let go of the device; may be called twice."""


class MidiSource(Protocol):
    """Where the host hears MIDI: a port of the computer, or one that comes with the board."""

    def read(self) -> list[tuple[float, bytes]]:
        """Give (host time in seconds, bytes of one message) since the last call; never blocks."""

    def close(self) -> None:
        """Let go of the port; may be called twice."""
