"""The silence in a run: when nothing was struck, and what the sensor gave meanwhile."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis.load import Recording
from analysis.strokes import StrokeTable
from rig.record.limits import TICKS_PER_US
from rig.record.protocol import IdleStage

MOST_IDLE_S = 20.0
"""So much silence tells the noise; more only costs memory."""

_MARGIN_S = 0.1
_RINGS_S = 0.5


def idle_spans(recording: Recording, table: StrokeTable) -> dict[str, list[tuple[float, float]]]:
    """Give the stretches of idle stages, from the begin of their bursts to their planned end.

    Parameters
    ----------
    recording, table
        What was recorded, and its stroke table with the time line.

    Returns
    -------
    dict of str to list of (float, float)
        Begin and end in s on the audio clock, by stage; empty without a time line or idle stages.
    """
    line = table.time_line
    idle = {s.name for s in recording.reader.protocol.stages if isinstance(s, IdleStage)}
    if line is None or not idle:
        return {}
    found: dict[str, list[tuple[float, float]]] = {}
    begun = recording.of_kind("burst_begin")
    zero = dict(zip(begun["value"], begun["stamp_int"], strict=True))
    for burst in recording.bursts.itertuples():
        if burst.stage in idle and burst.burst in zero:
            ticks = np.array([0, burst.duration_us], dtype=float) * TICKS_PER_US
            begin, end = line.t_s(zero[burst.burst] + ticks)
            end = min(float(end), recording.duration_s)
            if end > begin:
                found.setdefault(str(burst.stage), []).append((float(begin), end))
    return found


def idle_samples(
    recording: Recording, spans: dict[str, list[tuple[float, float]]], table: StrokeTable
) -> npt.NDArray[np.float32]:
    """Give sensor samples of when nothing was struck: idle stages, or the silence before strokes.

    Parameters
    ----------
    recording, spans, table
        What was recorded, its idle stages by ``idle_spans``, and its stroke table.

    Returns
    -------
    ndarray of float32, shape (n,)
        At most ``MOST_IDLE_S`` of samples, full scale 1, none of them NaN; empty where no silence
        was long enough.
    """
    idle = {s.name for s in recording.reader.protocol.stages if isinstance(s, IdleStage)}
    chosen = [span for name in idle for span in spans.get(name, [])]
    if not chosen:
        first_s = table.strokes["drive_t_s"].fillna(table.strokes["onset_t_s"]).min()
        if np.isfinite(first_s):
            chosen = [(0.0, float(first_s))]
    reader, rate_hz = recording.reader.audio, recording.sample_rate_hz
    onsets = table.strokes["onset_t_s"].to_numpy(float)
    pieces: list[npt.NDArray[np.float32]] = []
    left_s = MOST_IDLE_S
    for begin, end in chosen:
        # a stage may begin while the last stroke of the one before still rings
        before = onsets[onsets < begin + _MARGIN_S]
        begin = max(begin + _MARGIN_S, before.max(initial=-np.inf) + _RINGS_S)
        end = min(end - _MARGIN_S, begin + left_s)
        struck = np.any((onsets >= begin) & (onsets < end))
        if end - begin > 2 * _MARGIN_S and not struck:
            first = round(begin * rate_hz)
            samples = reader.window(first, round(end * rate_hz) - first)
            sensor = samples[:, recording.roles["sensor"]]
            pieces.append(sensor[np.isfinite(sensor)])
            left_s -= end - begin
    return np.concatenate(pieces) if pieces else np.zeros(0, np.float32)
