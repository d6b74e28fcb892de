"""Strokes' waveforms and the silence of a run, for the reference detector and the sensor."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.detector import DetectorError, Envelopes, envelopes
from analysis.load import Recording

BEFORE_S = 0.005
AFTER_S = 0.250
NEXT_MARGIN_S = 0.003
_SILENCE_BEFORE_S = 0.4
SILENCE_AFTER_S = (1.5, 0.8, 0.4)
"""So long after a stroke begins silence; the sooner ones only where the later ones leave none."""
LEAST_SILENCE_S = 0.5
_MOST_SILENCE_S = 20.0


@dataclasses.dataclass(frozen=True, kw_only=True)
class Waveforms:
    """Strokes of a run as envelopes.

    Attributes
    ----------
    strokes
        The rows of the stroke table that have a whole waveform, in the order of ``envelopes``.
    envelopes
        Each stroke until the next one's onset.
    silence
        Sensor samples while nothing sounded, joined; may be short or empty.
    silence_pieces
        Number of samples of each of the silences joined.
    sample_rate_hz
        Of the silence.
    silence_after_s
        So long after a stroke it begins, of ``SILENCE_AFTER_S``.
    """

    strokes: pd.DataFrame
    envelopes: Envelopes
    silence: NDArray[np.float32]
    sample_rate_hz: float
    silence_after_s: float = SILENCE_AFTER_S[0]
    silence_pieces: tuple[int, ...] = ()

    def subset(self, keep: NDArray[np.bool_]) -> Waveforms:
        """Return some of the strokes."""
        return dataclasses.replace(
            self, strokes=self.strokes[keep], envelopes=self.envelopes.subset(keep)
        )

    def lonely(self) -> Waveforms:
        """Return the strokes whose neighbours were silent: none just before, none just after."""
        own = self.strokes["own_s"].to_numpy(dtype=float)
        quiet = self.strokes["quiet_s"].to_numpy(dtype=float)
        return self.subset((own > 0.08) & (quiet > _SILENCE_BEFORE_S / 4.0))


def waveforms(
    recording: Recording, strokes: pd.DataFrame, *, role: str = "sensor", went_on: bool = False
) -> Waveforms:
    """Cut the strokes of a run out of its recording.

    Parameters
    ----------
    recording
        The run.
    strokes
        Its stroke table; rows without an onset are left out.
    role
        Channel: ``sensor`` or ``second_zone``.
    went_on
        The run went on in another part: what is heard after the last stroke is no silence, but the
        begin of a burst that was struck again.

    Returns
    -------
    Waveforms
        ``strokes`` with two more columns: own_s (until the next onset) and quiet_s (since the one
        before).

    Raises
    ------
    DetectorError
        No such channel, or no stroke with an onset.
    """
    if role not in recording.roles:
        raise DetectorError(f"{recording.path}: no channel has the role {role}")
    rate, column = recording.sample_rate_hz, recording.roles[role]
    table = strokes[np.isfinite(strokes["onset_t_s"].to_numpy(dtype=float))]
    if table.empty:
        raise DetectorError(
            f"{recording.path}: {len(strokes)} strokes, and no onset on the {role} channel; strike "
            "single strokes over all forces, and see that the sensor is plugged in"
        )
    table = table.sort_values("onset_t_s", kind="stable")
    onset = table["onset_t_s"].to_numpy(dtype=float)
    before, count = round(BEFORE_S * rate), round((BEFORE_S + AFTER_S) * rate)
    first = np.rint(onset * rate).astype(int) - before
    whole = (first >= 0) & (first + count <= recording.frame_count)
    windows = recording.reader.audio.windows
    if windows is not None:
        whole &= windows.holds(first, first + count)
    if not whole.any():
        raise DetectorError(
            f"{recording.path}: {len(table)} strokes, none with {1e3 * AFTER_S:.0f} ms of sound "
            "after its onset; record again with more silence at the end"
        )
    gap = np.diff(onset)
    table = table.assign(own_s=np.append(gap, np.inf), quiet_s=np.concatenate([[np.inf], gap]))[
        whole
    ]
    audio = recording.reader.audio
    cut = np.stack([audio.window(at, count)[:, column] for at in first[whole]])
    made = envelopes(
        cut,
        rate,
        before_s=before / rate,
        force_n=_struck_with(table),
        # the next stroke's first sound, well before where its onset was found, is not this one's
        own_s=table["own_s"].to_numpy(dtype=float) - NEXT_MARGIN_S,
    )
    end_s = float(onset[-1]) if went_on else recording.duration_s
    silences: list[NDArray[np.float32]] = []
    after_s = SILENCE_AFTER_S[0]
    for after_s in SILENCE_AFTER_S:
        silences = _silences(recording, onset, column, end_s, after_s)
        if sum(map(len, silences)) >= LEAST_SILENCE_S * rate:
            break
    return Waveforms(
        strokes=table, envelopes=made, sample_rate_hz=rate, silence_after_s=after_s,
        silence=np.concatenate(silences) if silences else np.zeros(0, dtype=np.float32),
        silence_pieces=tuple(map(len, silences)),
    )  # fmt: skip


def waveforms_of_parts(
    recordings: Sequence[Recording],
    begins: Sequence[int],
    strokes: pd.DataFrame,
    *,
    role: str = "sensor",
) -> Waveforms:
    """Cut the strokes of a run out of all its parts, each stroke out of the part that heard it.

    Parameters
    ----------
    recordings, begins
        The parts in order, and the frame at which each begins on their common line of time.
    strokes
        The run's stroke table, on that line; the waveforms' ``strokes`` are on it too.
    role
        As in :func:`waveforms`.

    Raises
    ------
    DetectorError
        No part yields a waveform, and why the last one yields none.
    """
    if len(recordings) == 1:
        return waveforms(recordings[0], strokes, role=role)
    onset = strokes["onset_t_s"].to_numpy(dtype=float)
    begin_s = np.array(begins) / recordings[0].sample_rate_hz
    place = np.searchsorted(begin_s, onset, side="right") - 1
    made: list[Waveforms] = []
    failed: DetectorError | None = None
    for part, (recording, since_s) in enumerate(zip(recordings, begin_s, strict=True)):
        mine = strokes[place == part]
        try:
            own = mine.assign(onset_t_s=mine["onset_t_s"] - since_s)
            cut = waveforms(recording, own, role=role, went_on=part < len(recordings) - 1)
        except DetectorError as error:
            failed = error
            continue
        back = cut.strokes.assign(onset_t_s=cut.strokes["onset_t_s"] + since_s)
        made.append(dataclasses.replace(cut, strokes=back))
    if not made:
        raise failed or DetectorError("strokes' waveforms: a run without parts; none was recorded")
    sounds = [one.envelopes for one in made]
    return Waveforms(
        strokes=pd.concat([one.strokes for one in made]),
        envelopes=dataclasses.replace(
            sounds[0],
            level=np.concatenate([one.level for one in sounds]),
            force_n=np.concatenate([one.force_n for one in sounds]),
        ),
        silence=np.concatenate([one.silence for one in made]),
        silence_pieces=tuple(piece for one in made for piece in one.silence_pieces),
        sample_rate_hz=made[0].sample_rate_hz,
        silence_after_s=min(one.silence_after_s for one in made),
    )


def _struck_with(table: pd.DataFrame) -> NDArray[np.float64]:
    """Return forces; pulse widths of a bench that is not calibrated, which tell who is alike."""
    force_n = table["force_n"].to_numpy(dtype=float)
    return force_n if np.isfinite(force_n).any() else table["width_us"].to_numpy(dtype=float)


def _silences(
    recording: Recording, onset: NDArray[np.float64], column: int, end_s: float, after_s: float
) -> list[NDArray[np.float32]]:
    """Collect what was recorded at least so long after any stroke, and not just before one."""
    edges = np.concatenate([[0.0], onset, [end_s]])
    pieces: list[NDArray[np.float32]] = []
    left_s = _MOST_SILENCE_S
    for k, (begin, end) in enumerate(itertools.pairwise(edges)):
        start = begin + (after_s if k else 0.05)
        stop = min(end - 0.05, start + left_s)
        if stop - start < 0.2:
            continue
        first = round(start * recording.sample_rate_hz)
        length = round((stop - start) * recording.sample_rate_hz)
        heard = recording.reader.audio.window(first, length)[:, column]
        pieces.append(heard[np.isfinite(heard)])
        left_s -= stop - start
        if left_s <= 0.0:
            break
    return pieces
