"""The uncertainty budget of a latency: each part as a standard uncertainty, and their sum."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping

import numpy as np
import pandas as pd

from analysis.timeline import TimeLine
from rig.record.limits import TICKS_PER_US
from rig.record.midi_bytes import BYTE_US

UNIFORM = math.sqrt(12.0)
"""Full width of a uniform distribution over its standard deviation."""
TICK_U_US = 1.0 / TICKS_PER_US / UNIFORM
START_BIT_U_US = 32.0 / 16.0 / UNIFORM
"""A receiver that samples each 32 us bit 16 times sees the start bit up to a sixteenth late."""
BAUD_SHARE = 0.01
"""A DIN line may be 1 % off its rate (MIDI 1.0, hardware)."""
BYTE_U_US = BAUD_SHARE * BYTE_US / math.sqrt(3.0)
"""Of the last byte's length: uniform over ±1 % of 320 us."""
INTERFACE_FRAMES = 0.05
"""Of a place between samples, left by interpolation (found by simulation)."""
Part = tuple[float, str]
"""Standard uncertainty in us, and where it comes from."""


@dataclasses.dataclass(frozen=True)
class Budget:
    """Parts of a latency's standard uncertainty, in us, and all of them combined.

    ``parts``: name -> (standard uncertainty in us, where it comes from). NaN where not known.
    """

    parts: dict[str, Part]

    @property
    def combined_us(self) -> float:
        """Root of the sum of squares (uncorrelated parts); NaN if a part is not known."""
        return math.sqrt(sum(u * u for u, _ in self.parts.values()))


def timing_budget(
    strokes: pd.DataFrame,
    time_line: TimeLine | None,
    sample_rate_hz: float,
    note_source: str,
    path: Mapping[str, Part] | None = None,
) -> Budget:
    """State the budget of a run's latencies, for its median stroke.

    Parameters
    ----------
    strokes
        Stroke table.
    time_line
        Of the run; None where onset and note are stamped on the audio clock alone.
    sample_rate_hz
        Of the audio.
    note_source
        ``board_din``, ``host``, ``din_line`` or ``import``.
    path
        Parts of a note's way into the computer; of ``host`` alone.

    Returns
    -------
    Budget
        Empty tables give NaN parts.
    """
    onset = _median(strokes["onset_u_s"]) * 1e6
    parts: dict[str, Part] = {
        "interface sample": (
            INTERFACE_FRAMES / sample_rate_hz * 1e6,
            "interpolation between samples",
        ),
        "onset": (onset, "noise over slope and unknown shape of the rise, median stroke"),
    }
    if note_source in ("board_din", "host"):
        marker = math.nan
        if time_line is not None:
            left_us = time_line.noise.unfollowed_s * 1e6 if time_line.noise is not None else 0.0
            marker = math.hypot(
                time_line.residual_sd_us / math.sqrt(max(time_line.used, 1)), left_us
            )
        parts["marker fit"] = (marker, "scatter of the markers about the line, wander besides")
    if note_source == "board_din":
        stamp = math.hypot(TICK_U_US, START_BIT_U_US)
        parts["stamp of the note"] = (stamp, "tick of 0.5 µs and start bit to a sixteenth")
        parts["wire"] = (BYTE_U_US, "last byte of 320 µs at a rate known to 1 %")
    elif note_source == "host":
        of_path = path or {}
        # what the note's own uncertainty holds besides
        others = sum(u * u for u, _ in [*of_path.values(), parts["marker fit"]])
        left_us2 = (_median(strokes["note_u_s"]) * 1e6) ** 2 - others
        # NaN stays NaN: nothing is larger
        tie_us = math.sqrt(max(left_us2, 0.0))
        parts["clock exchange"] = (tie_us, "bound between host and board clock")
        parts.update(of_path)
    else:
        edge = "edge of the start bit in the recording"
        why = edge if note_source == "din_line" else "as the recording states it"
        parts["stamp of the note"] = (_median(strokes["note_u_s"]) * 1e6, why)
    return Budget(parts)


def plain_time(seconds: float) -> str:
    """Write a short time with three digits: in µs, from a millisecond on in ms."""
    return f"{1e6 * seconds:.3g} µs" if seconds < 1e-3 else f"{1e3 * seconds:.3g} ms"


def _median(values: pd.Series) -> float:
    known = values.to_numpy(dtype=np.float64)
    known = known[np.isfinite(known)]
    return float(np.median(known)) if len(known) else math.nan
