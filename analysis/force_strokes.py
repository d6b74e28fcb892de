"""The strokes of a calibration run: what the force sensor felt of each pulse."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.force_pulse import measure_pulses
from analysis.load import MARKER_WIDTHS_US, Recording
from analysis.marker import MarkerFinder
from analysis.marker_fit import fit_markers
from rig.record.bench_fault import BenchError

COLUMNS: dict[str, str] = {
    "strike": "int64",
    "striker": "str",
    "width_us": "float64",
    "drive_t_s": "float64",  # coil on, on the audio clock; NaN for a strike never made
    "flight_ms": "float64",  # coil on to contact
    "force_n": "float64",  # peak; NaN where nothing was felt
    "impulse_n_s": "float64",
    "duration_ms": "float64",
    "noise_n": "float64",
    "contacts": "int64",
    "clipped": "bool",
}
"""Columns of the table, and their types."""


def force_strokes(recording: Recording) -> pd.DataFrame:
    """Measure every strike of a run on its force channel.

    Returns
    -------
    pandas.DataFrame
        One row a strike, columns as in ``COLUMNS``; empty for a plan without strikes.

    Raises
    ------
    BenchError
        There is no force channel or it has no scale, or the markers can't be fitted.
    """
    scale = recording.reader.start.audio.newtons_per_full_scale
    if "force" not in recording.roles or scale is None:
        raise BenchError(
            f"{recording.path}: forces can't be measured: the run has "
            f"{'no scale of its' if 'force' in recording.roles else 'no'} force channel. Give the "
            'bench file a channel of role "force" with newtons_per_full_scale, and run again'
        )
    rate, column = recording.sample_rate_hz, recording.roles["force"]
    drive_s = _drive_s(recording)
    reader = recording.reader.audio

    def window(first: int, count: int) -> npt.NDArray[np.float32]:
        return np.nan_to_num(reader.window(first, count)[:, column])

    pulses = measure_pulses(window, drive_s * rate, rate, scale)
    strikes = recording.strikes
    table = pd.DataFrame(
        {
            "strike": strikes["strike"],
            "striker": strikes["striker"],
            "width_us": strikes["width_us"],
            "drive_t_s": drive_s,
            "flight_ms": 1e3 * (pulses.contact_frame / rate - drive_s),
            "force_n": pulses.peak_n,
            "impulse_n_s": pulses.impulse_n_s,
            "duration_ms": 1e3 * pulses.duration_s,
            "noise_n": pulses.noise_n,
            "contacts": pulses.contacts,
            "clipped": pulses.clipped,
        }
    )
    return table.astype(COLUMNS)


def _drive_s(recording: Recording) -> npt.NDArray[np.float64]:
    """Coil on of each strike on the audio clock; NaN for one that was never made."""
    finder = MarkerFinder(recording.sample_rate_hz, MARKER_WIDTHS_US)
    heard_to = 0
    with recording.reader.same_sound():
        for first, samples in recording.blocks():
            if first > heard_to:
                finder.pass_over(first - heard_to)
            heard_to = first + len(samples)
            finder.feed(samples[:, recording.roles["marker"]])
    edges = finder.finish()
    sent, codes = recording.markers_sent()
    line = fit_markers(edges.frame, sent, recording.sample_rate_hz, edges.code, codes)
    made = recording.of_kind("coil_on")
    made = made[made["strike"].between(0, len(recording.strikes) - 1)]
    drive_s = np.full(len(recording.strikes), np.nan)
    drive_s[made["strike"].to_numpy(dtype=np.int64)] = line.t_s(made["stamp_int"].to_numpy())
    return drive_s
