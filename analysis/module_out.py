"""The module's own sound: when it begins after each stroke, heard on a recorded output.

This is what a player hears; it holds the module's converter and its sound's own rise, which a note
on the wire does not.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from analysis.match import match_times
from analysis.onset import OnsetFinder, Onsets

Floats = npt.NDArray[np.float64]

LONGEST_S = 0.1
"""A sound that begins later than this after a stroke is not its sound."""


@dataclasses.dataclass(frozen=True)
class StrokeSounds:
    """The sound of each stroke, one entry a stroke; NaN for a stroke without a sound of its own.

    Attributes
    ----------
    sound_t_s, sound_u_s
        Beginning of the sound (1 % of its peak) on the audio clock, and its standard uncertainty.
    delay_s, delay_u_s
        From the stroke's onset to that.
    unmatched
        Sounds that no stroke explains.
    """

    sound_t_s: Floats
    sound_u_s: Floats
    delay_s: Floats
    delay_u_s: Floats
    unmatched: int


def find_sounds(pieces: Iterable[npt.NDArray[np.floating]], sample_rate_hz: float) -> Onsets:
    """Find where sounds begin on one channel, fed in pieces of shape (frames,).

    No piece, or silence, gives no onsets.
    """
    finder = OnsetFinder(sample_rate_hz)
    for piece in pieces:
        finder.feed(piece)
    return finder.finish()


def sounds_of_strokes(
    onset_t_s: npt.ArrayLike,
    onset_u_s: npt.ArrayLike,
    sounds: Onsets,
    sample_rate_hz: float,
) -> StrokeSounds:
    """Give each stroke its sound: one to one, as many pairs as there can be.

    Parameters
    ----------
    onset_t_s, onset_u_s
        Strokes' onsets on the audio clock, rising, and their standard uncertainties, shape (n,);
        NaN where a strike had none.
    sounds
        As :func:`find_sounds` gives them.
    sample_rate_hz
        Of the recording in which both were found.
    """
    onset_s = np.asarray(onset_t_s, dtype=np.float64)
    onset_u = np.asarray(onset_u_s, dtype=np.float64)
    begins_s = sounds.frame / sample_rate_hz
    stroke, sound = match_times(onset_s, begins_s, 0.0, LONGEST_S)
    sound_s = np.full(len(onset_s), np.nan)
    sound_u = sound_s.copy()
    sound_s[stroke] = begins_s[sound]
    sound_u[stroke] = sounds.u_frames[sound] / sample_rate_hz
    return StrokeSounds(
        sound_t_s=sound_s,
        sound_u_s=sound_u,
        delay_s=sound_s - onset_s,
        delay_u_s=np.hypot(sound_u, onset_u),
        unmatched=len(begins_s) - len(sound),
    )
