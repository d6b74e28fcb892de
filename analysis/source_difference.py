"""Notes of one source against those of another: the delay and jitter of a path, and what it lost.

A module sends the same note on its DIN port and on its USB port. Stamped by the board or read
from a recorded line, the first is known to microseconds: the difference is the other path's own.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis import interval
from analysis.budget import USB_FRAME_U_US
from analysis.match import match_times, usual_flight
from analysis.measure import Measure
from analysis.selection import measured

Floats = npt.NDArray[np.float64]

LARGEST_OFFSET_S = 0.05
"""Paths differ by less than this."""
JITTER_S = 0.012
"""A note may be so far from the usual difference."""

UNITS = {"host": ("ms", 1e3), "din_line": ("us", 1e6)}
"""Source -> unit of its measures, and seconds in it."""

OWN_U_S = {"host": 1e-6 * USB_FRAME_U_US}
"""What a source states as its uncertainty and what is the very delay and jitter that is sought."""


@dataclasses.dataclass(frozen=True)
class SourceDifference:
    """One source against the reference.

    Attributes
    ----------
    source, reference
        Their names.
    difference_s
        (n,) note time of the source less that of the reference, of notes that both have.
    u_s
        (n,) standard uncertainty of each, as both sources state it.
    missing, further
        Notes of the reference that the source lacks, and the other way round.
    """

    source: str
    reference: str
    difference_s: Floats
    u_s: Floats
    missing: int
    further: int


def source_difference(
    reference: pd.DataFrame, other: pd.DataFrame, names: tuple[str, str]
) -> SourceDifference:
    """Pair the notes of two sources.

    Parameters
    ----------
    reference, other
        Notes in order of ``note_t_s`` (``analysis.notes.COLUMNS``); either may be empty.
    names
        Of reference and other.
    """
    a_s = reference["note_t_s"].to_numpy(dtype=np.float64)
    b_s = other["note_t_s"].to_numpy(dtype=np.float64)
    usual = usual_flight(b_s, a_s, LARGEST_OFFSET_S).middle_s
    i, j = match_times(a_s + usual, b_s, JITTER_S, JITTER_S)
    same = np.ones(len(i), dtype=bool)
    for column in ("note", "velocity"):
        same &= reference[column].to_numpy()[i] == other[column].to_numpy()[j]
    i, j = i[same], j[same]
    u = [part["note_u_s"].to_numpy(dtype=np.float64) for part in (reference, other)]
    return SourceDifference(
        source=names[1],
        reference=names[0],
        difference_s=b_s[j] - a_s[i],
        u_s=np.hypot(u[0][i], u[1][j]),
        missing=len(a_s) - len(i),
        further=len(b_s) - len(j),
    )


def join_differences(some: Sequence[SourceDifference]) -> tuple[SourceDifference, ...]:
    """Those of several recordings, joined by the sources that they compare."""
    names = dict.fromkeys((one.source, one.reference) for one in some)
    groups = [[one for one in some if (one.source, one.reference) == pair] for pair in names]
    return tuple(
        SourceDifference(
            source=group[0].source,
            reference=group[0].reference,
            difference_s=np.concatenate([one.difference_s for one in group]),
            u_s=np.concatenate([one.u_s for one in group]),
            missing=sum(one.missing for one in group),
            further=sum(one.further for one in group),
        )
        for group in groups
    )


def difference_measures(
    differences: Sequence[SourceDifference], *, confidence: float = 0.95
) -> list[Measure]:
    """Return mean and standard deviation of each difference (``host_offset_mean`` and so on).

    The mean is widened by the timing uncertainty that all notes may share: at most the least of
    what both sources state, less what is the path's own.
    """
    found: list[Measure] = []
    for one in differences:
        unit, scale = UNITS[one.source]
        u_s = float(np.median(one.u_s)) if one.u_s.size else np.nan
        further = interval.least(one.u_s) ** 2 - OWN_U_S.get(one.source, 0.0) ** 2
        shared_s = float(np.sqrt(np.maximum(further, 0.0)))
        mean = interval.mean(one.difference_s, confidence)
        details: Mapping[str, object] = {
            "reference": one.reference,
            "stated_u_us": u_s * 1e6,
            "missing": one.missing,
            "further": one.further,
        }
        note = (
            f"Notes of {one.source} less those of {one.reference}; both state a standard "
            f"uncertainty of {u_s * 1e6:.3g} us together. {one.missing} of the reference's notes "
            f"are missing, {one.further} are further ones."
        )
        for name, figure in (
            ("mean", interval.with_systematic(mean, shared_s, confidence)),
            ("sd", interval.sd(one.difference_s, confidence)),
        ):
            found.append(
                measured(
                    f"{one.source}_offset_{name}",
                    unit,
                    figure,
                    scale=scale,
                    confidence=confidence,
                    count=one.difference_s.size,
                    note=note,
                    details=dict(details),
                )
            )
    return found
