"""Which pictures an analysis has, and which of them belongs to a limit."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

from analysis.evidence import recovery_of
from analysis.measure import Measure
from analysis.report.curve_picture import flam_picture, roll_picture
from analysis.report.latency_picture import latency_picture
from analysis.report.raster_picture import raster_picture
from analysis.report.recovery_part import late_words
from analysis.report.recovery_picture import recovery_picture
from analysis.report.transient_picture import transient_picture
from analysis.report.velocity_picture import velocity_picture
from rig.record.protocol import Limit

if TYPE_CHECKING:
    from analysis.pipeline import Analysis


@dataclasses.dataclass(frozen=True)
class Picture:
    """A PNG with its heading and the sentence that a screen reader gets."""

    heading: str
    alt: str
    png: bytes
    words: str


def _find(analysis: Analysis, name: str, stage: str = "") -> Measure | None:
    return next((m for m in analysis.measures if (m.name, m.stage) == (name, stage)), None)


def _of_kind(analysis: Analysis, kind: str, limit: Limit | None) -> bytes | None:
    limits = analysis.protocol.limits if limit is None else (limit,)
    stage = limit.stage if limit is not None else ""
    strokes = analysis.table.strokes
    if stage:
        strokes = strokes[strokes["stage"] == stage]
    if kind == "latency":
        return latency_picture(strokes, _find(analysis, "latency_median", stage), limits)
    if kind == "velocity":
        return velocity_picture(strokes, analysis.specimen.module.declared_curve)
    if kind == "roll":
        measure = _find(analysis, limit.measure if limit else "resolvable_rate_95", stage)
        return roll_picture(measure, limits) if measure else None
    if kind == "flam":
        name = limit.measure if limit and limit.measure.startswith("flam_gap") else "flam_gap_95"
        measure = _find(analysis, name, stage)
        return flam_picture(measure, limits) if measure else None
    if kind == "recovery":
        recovery = recovery_of(strokes)
        several = recovery is not None and recovery.level_differences_db.size > 1
        return recovery_picture(recovery) if recovery is not None and several else None
    if kind == "raster":
        return raster_picture(strokes, analysis.table.notes)
    return transient_picture(strokes, analysis.audio, analysis.audio.roles["sensor"])


_HEADINGS = (
    (
        "raster",
        "What was struck, heard and sent",
        "Strokes and notes over time.",
        "Each row is six seconds. Up from the line: a stroke at its onset, the sensor's first "
        "movement. Down from it: a note, at the end of its last byte. A stroke without a note is "
        "lost; a second note for one stroke is a double; one that no stroke explains is a stray.",
    ),
    (
        "latency",
        "Latency",
        "Share of strokes answered within a time.",
        "Above: what share of the strokes had their note within so many milliseconds. Below: each "
        "stroke as a dot.",
    ),
    (
        "velocity",
        "Velocity over force",
        "Velocity of each stroke over its force.",
        "Above: the velocity of each note over the force of its stroke. Below: how far it is off "
        "the declared curve, laid through the softest and the hardest level.",
    ),
    (
        "roll",
        "Roll",
        "Share of clean strokes over the rate.",
        "Clean: one stroke, exactly one note. The dotted line is the share demanded.",
    ),
    (
        "flam",
        "Flam",
        "Share of second strokes caught over the gap.",
        "Pairs of strokes close together: how many of the second ones got a note of their own. "
        "The dotted line is the share demanded.",
    ),
    (
        "recovery",
        "Recovery map",
        "Share of second strokes caught over gap and level difference.",
        "A full dot: every second stroke was caught; an empty one: none. The lines are where half "
        "and 95 % of them are caught, the bands the 95 % intervals of these, by the posterior of a "
        "dead time and a release with a logistic transition: an estimate from pairs of all level "
        "differences. The flam gaps among the measures trust no curve and take the pairs nearest "
        "0 dB alone, so that they are wider, or bounds.",
    ),
    (
        "transients",
        "Sound of the strokes",
        "Sensor level of strokes from their onsets.",
        "What the sensor gave: up to a dozen clean, lost and double strokes each, from their "
        "onsets. A late peak as high as the first makes doubles; lost strokes that are as loud as "
        "clean ones were lost to time, not to the threshold.",
    ),
)


def all_pictures(analysis: Analysis) -> list[Picture]:
    """Draw every picture that the run has data for, in order of the page."""
    found = []
    for kind, heading, alt, words in _HEADINGS:
        png = _of_kind(analysis, kind, None)
        if png is None:
            continue
        late = late_words(analysis.table.strokes) if kind == "flam" else ""
        found.append(Picture(heading, alt, png, f"{words} {late}." if late else words))
    return found


def picture_for(analysis: Analysis, limit: Limit) -> bytes | None:
    """Draw the one picture that shows a limit's measure, or None."""
    kinds = {"latency": "latency", "velocity": "velocity", "resolvable": "roll", "flam": "flam"}
    kind = kinds.get(limit.measure.split("_")[0], "raster")
    return _of_kind(analysis, kind, limit)
