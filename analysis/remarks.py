"""Sentences that belong beside every result: on the sources of notes, and on the time line."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.budget import plain_time
from analysis.source_difference import SourceDifference
from analysis.timeline import TimeLine
from analysis.wander_fit import LEAST_WANDER_FRAMES

MOST_LINE_OFFSET_S = 50e-6
"""Board and recorded line stamp the same wire."""


def source_remarks(differences: Sequence[SourceDifference]) -> list[str]:
    """Sentences on sources that contradict the one that was used."""
    remarks = []
    for one in differences:
        if one.missing or one.further:
            remarks.append(
                f"{one.source} lacks {one.missing} notes that {one.reference} has, and has "
                f"{one.further} that the other lacks; notes are those of {one.reference}"
            )
        if contradiction := one.contradiction():
            remarks.append(contradiction)
        off_s = float(np.median(one.difference_s)) if one.difference_s.size else 0.0
        if one.source == "din_line" and abs(off_s) > MOST_LINE_OFFSET_S:
            remarks.append(
                f"the recorded DIN line is {off_s * 1e6:+.0f} µs off the board's stamps; at most "
                f"{MOST_LINE_OFFSET_S * 1e6:.0f} µs are expected: look at its wiring"
            )
    return remarks


def time_remarks(line: TimeLine, sample_rate_hz: float) -> list[str]:
    """Sentences on how the clocks were tied, and on lost samples that were not rightly told."""
    remarks = [
        f"the audio lost at {jump.from_s:.3f} s is {abs(jump.step_s) * 1e3:.3f} ms "
        f"{'shorter' if jump.step_s > 0 else 'longer'} than was told; the markers place what "
        "follows"
        for jump in line.jumps
        if jump.told and abs(jump.step_s) * sample_rate_hz >= 1.0
    ]
    remarks += [
        f"between {low:.3f} and {high:.3f} s the markers don't fit: samples were lost there; "
        "strokes there are invalid"
        for low, high in line.unsure_s
    ]
    if line.method == "onsets":
        remarks.append(
            "no usable markers were recorded: the plan was fitted to the onsets themselves "
            f"(scatter {line.residual_sd_us / 1e3:.2f} ms); drive times hold the flight"
        )
    left_s = line.noise.unfollowed_s if line.noise is not None else 0.0
    if left_s * sample_rate_hz > LEAST_WANDER_FRAMES:
        remarks.append(
            f"board and audio clock wander against each other faster than the markers tell, by "
            f"{plain_time(left_s)}; times are that much less sure. Let the audio interface run on "
            "its own clock, and let no program convert its rate"
        )
    return remarks
