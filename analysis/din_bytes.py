"""Bytes read from a recorded MIDI line, and how well it was read."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclasses.dataclass(frozen=True)
class DinBytes:
    """Bytes of a line, one entry each, in order.

    Attributes
    ----------
    values
        uint8.
    start_frames, u_frames
        Start edge on the audio clock (float frames) and its standard uncertainty.
    end_frames
        End of the stop bit.
    doubtful
        A bit was close to the middle, or the byte came before the line was first seen idle.
    """

    values: npt.NDArray[np.uint8]
    start_frames: Floats
    end_frames: Floats
    u_frames: Floats
    doubtful: npt.NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.values)

    def taken(self, some: npt.NDArray[np.bool_]) -> DinBytes:
        """Those of them for which ``some``, (n,), holds."""
        return DinBytes(*(getattr(self, field.name)[some] for field in dataclasses.fields(self)))

    def inserted(self, place: int, values: list[int], frame: float) -> DinBytes:
        """The same with further bytes before one, all at one frame."""
        new: dict[str, Any] = {"values": values, "u_frames": np.nan, "doubtful": True}
        places = [place] * len(values)
        return DinBytes(
            *(
                np.insert(getattr(self, field.name), places, new.get(field.name, frame))
                for field in dataclasses.fields(self)
            )
        )


@dataclasses.dataclass(frozen=True)
class LineQuality:
    """How well a line was read.

    Attributes
    ----------
    decoded, doubtful, rejected
        Bytes given; those of them that may be wrong; what looked like a start and was no byte.
    snr_db
        Half of the swing over the RMS of what the model leaves; NaN without bytes.
    swing
        Peak to peak, full scale ±1; NaN without bytes.
    baud
        As measured on the audio clock; NaN without bytes.
    inverted
        Idle is the lower level. None: not known.
    """

    decoded: int
    doubtful: int
    rejected: int
    snr_db: float
    swing: float
    baud: float
    inverted: bool | None


def no_bytes() -> DinBytes:
    """An empty table."""
    empty = np.empty(0)
    return DinBytes(np.empty(0, np.uint8), empty, empty, empty, np.empty(0, bool))


def join(parts: list[DinBytes]) -> DinBytes:
    """Bytes of several pieces as one table."""
    if not parts:
        return no_bytes()
    return DinBytes(
        *(
            np.concatenate([getattr(part, field.name) for part in parts])
            for field in dataclasses.fields(DinBytes)
        )
    )
