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
from analysis.budget import plain_time
from analysis.host_path import HostPath
from analysis.match import match_times, usual_flight
from analysis.measure import Measure
from analysis.selection import measured

Floats = npt.NDArray[np.float64]

LARGEST_OFFSET_S = 0.05
"""Paths differ by less than this."""
JITTER_S = 0.012
"""A note may be so far from the usual difference."""

LEAST_TO_KEEP = 30
"""Notes, with fewer a jitter is known to no better than a quarter (normal, 95 %)."""

UNITS = {"host": ("ms", 1e3), "din_line": ("us", 1e6)}
"""Source -> unit of its measures, and seconds in it."""


@dataclasses.dataclass(frozen=True)
class SourceDifference:
    """One source against the reference.

    Attributes
    ----------
    source, reference
        Their names.
    difference_s
        (n,) note time of the source less that of the reference, of notes that both have; of a host
        its stamps as they were, whatever is known of its path.
    u_s
        (n,) standard uncertainty of each, as both sources state it; without the path's own, which
        is what is sought.
    missing, further
        Notes of the reference that the source lacks, and the other way round.
    path
        What was taken for the path; of a host alone.
    """

    source: str
    reference: str
    difference_s: Floats
    u_s: Floats
    missing: int
    further: int
    path: HostPath | None = None

    def contradiction(self) -> str:
        """Sentence where the path is not what the bench file takes it for; empty if it is."""
        if self.path is None or not self.difference_s.size:
            return ""
        found_s = float(np.median(self.difference_s))
        if self.path.measured and abs(found_s - self.path.delay_s) <= 2.0 * self.path.u_s:
            return ""
        if not self.path.measured and found_s <= self.path.late_at_most_s:
            return ""
        taken = (
            f"the bench file has {1e3 * self.path.delay_s:.3g} ms: measure it again"
            if self.path.measured
            else "the bench file takes it for less: keep what was measured there, as host_path"
        )
        return (
            f"the path of notes into this computer lasts {1e3 * found_s:.3g} ms by "
            f"{self.reference}, and {taken}"
        )


def source_difference(
    reference: pd.DataFrame,
    other: pd.DataFrame,
    names: tuple[str, str],
    path: HostPath | None = None,
) -> SourceDifference:
    """Pair the notes of two sources.

    Parameters
    ----------
    reference, other
        Notes in order of ``note_t_s`` (``analysis.notes.COLUMNS``); either may be empty.
    names
        Of reference and other.
    path
        Of the other, if it is a host: what its times and their uncertainty hold of it.
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
    delay_s, own_u_s = (path.delay_s, path.u_s) if path is not None else (0.0, 0.0)
    return SourceDifference(
        source=names[1],
        reference=names[0],
        difference_s=b_s[j] - a_s[i] + delay_s,
        u_s=np.sqrt(u[0][i] ** 2 + np.maximum(u[1][j] ** 2 - own_u_s**2, 0.0)),
        missing=len(a_s) - len(i),
        further=len(b_s) - len(j),
        path=path,
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
            path=group[0].path,
        )
        for group in groups
    )


def difference_measures(
    differences: Sequence[SourceDifference], *, confidence: float = 0.95
) -> list[Measure]:
    """Return mean and standard deviation of each difference (``host_offset_mean`` and so on).

    The mean is widened by the timing uncertainty that all notes may share: at most the least of
    what both sources state.
    """
    found: list[Measure] = []
    for one in differences:
        unit, scale = UNITS[one.source]
        u_s = float(np.median(one.u_s)) if one.u_s.size else np.nan
        shared_s = interval.least(one.u_s)
        mean = interval.mean(one.difference_s, confidence)
        details: Mapping[str, object] = {
            "reference": one.reference,
            "stated_u_us": u_s * 1e6,
            "missing": one.missing,
            "further": one.further,
        }
        note = (
            f"Notes of {one.source} less those of {one.reference}{_stated(one, u_s)}. "
            f"{one.missing} of the reference's notes are missing, {one.further} are further ones."
        )
        note += _how_to_keep(one, shared_s)
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


def _stated(one: SourceDifference, u_s: float) -> str:
    """Say what both sources state of their times; nothing where no note is on both."""
    if not np.isfinite(u_s):
        return ""
    besides = ", the path into the computer left out" if one.path is not None else ""
    return f"; both state a standard uncertainty of {plain_time(u_s)} together{besides}"


def _how_to_keep(one: SourceDifference, shared_s: float) -> str:
    """Say what the bench file wants of a host's path; nothing where it can't be told."""
    late_ms = 1e3 * one.difference_s
    if one.path is None or late_ms.size < LEAST_TO_KEEP:
        return ""
    jitter_ms = float(late_ms.std(ddof=1))
    date = f'date = "{one.path.day}", ' if one.path.day else ""
    mean_u_ms = float(np.hypot(jitter_ms / np.sqrt(late_ms.size), 1e3 * shared_s))
    return (
        f" To keep it for runs without {one.reference}, under [midi] of the bench file: "
        f"host_path = {{ {date}delay_ms = {late_ms.mean():.3f}, "
        f"delay_uncertainty_ms = {mean_u_ms:.3f}, jitter_ms = {jitter_ms:.3f} }}"
    )
