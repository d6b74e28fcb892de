"""Onsets as arrays: the moment of each stroke, how surely it is known, and how loud it was."""

from __future__ import annotations

import dataclasses

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclasses.dataclass(frozen=True)
class Onsets:
    """Onsets in order, one value each (arrays of length n).

    Attributes
    ----------
    frame, u_frames
        Position in frames of the recording, and its standard uncertainty.
    peak, peak_frame
        Largest magnitude (of full scale) until the next onset or 50 ms on, and where.
    snr_db
        Peak over the rms of the noise.
    clipped
        The sound reaches full scale.
    noise_rms
        Rms of the noise around it, of full scale.
    """

    frame: Floats
    u_frames: Floats
    peak: Floats
    peak_frame: Floats
    snr_db: Floats
    clipped: Bools
    noise_rms: Floats

    def __len__(self) -> int:
        return len(self.frame)

    @classmethod
    def join(cls, parts: list[Onsets]) -> Onsets:
        """Onsets of successive stretches as one."""
        names = [field.name for field in dataclasses.fields(cls)]
        empty = {"clipped": np.zeros(0, dtype=bool)}
        return cls(
            **{
                name: np.concatenate(
                    [getattr(part, name) for part in parts] or [empty.get(name, np.zeros(0))]
                )
                for name in names
            }
        )

    def picked(self, some: Ints) -> Onsets:
        """Some of them, by their places."""
        names = [field.name for field in dataclasses.fields(self)]
        return Onsets(**{name: getattr(self, name)[some] for name in names})

    def shifted(self, frames: int) -> Onsets:
        """The same, so many frames later."""
        return dataclasses.replace(
            self, frame=self.frame + frames, peak_frame=self.peak_frame + frames
        )
