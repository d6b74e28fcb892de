"""Contacts: which onset is which strike's, and what is known of a contact that isn't heard."""

from __future__ import annotations

import dataclasses

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

from analysis.landings import (
    FLIGHT_AFTER_S,
    FLIGHT_BEFORE_S,
    FLIGHT_UNKNOWN_S,
    FLIGHT_WITHIN_S,
    LEAST_LIKE,
    adrift_strikes,
    alike_flights,
    expected_landings,
    felt_landings,
)
from analysis.listen import Heard, listen_again
from analysis.load import Recording
from analysis.match import Latency, match_times
from analysis.onset import Onsets
from analysis.timeline import TimeLine

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

NEAR_S = 0.001
"""Onsets so near to where a strike should land are its own."""
LEAST_INFERRED_U_S = 1e-4
"""Of an onset that is not seen: the pickup answers later to a softer stroke (by simulation)."""
LATE_ARRIVAL_S = 0.03
"""What sounds so soon after a stroke, where no strike is expected, is the pad's own doing."""
MASK_S = 0.03
"""A strike whose onset isn't seen so soon after another may be hidden under its tail."""

UNSEEN_U_S = (FLIGHT_BEFORE_S + FLIGHT_AFTER_S) / np.sqrt(12.0)
"""Of an onset that isn't seen, nor any like it: it may be anywhere in the window."""
UNKNOWN_U_S = FLIGHT_UNKNOWN_S / np.sqrt(12.0)
"""The same where nothing is known of its flight."""
UNSURE_SPREADS = 2.0
"""In the tail of a sound of unknown make, where an onset is known so many times less well than the
striker's usual flight foretells it, that is taken."""

OUTLIER = 5.0
"""A flight so many (robust) spreads off is none of the usual."""


@dataclasses.dataclass(frozen=True)
class Contacts:
    """What was felt of each strike.

    Attributes
    ----------
    onsets
        All that are strokes; late arrivals of the pad are left out.
    onset_of
        (strikes,) place of its onset; -1 for none.
    inferred_s, inferred_u_s
        (strikes,) each: onset where one must be though it isn't heard (NaN: none), and its
        standard uncertainty.
    flights
        Striker to its usual time from coil to contact.
    """

    onsets: Onsets
    onset_of: Ints
    inferred_s: Floats
    inferred_u_s: Floats
    flights: dict[str, Latency]


def find_contacts(
    recording: Recording, heard: Heard, drive_s: Floats, time_line: TimeLine | None
) -> Contacts:
    """Find the onset of each strike.

    Parameters
    ----------
    recording
        The run; its audio is looked at again where an onset is missing.
    heard
        From ``listen``.
    drive_s
        (strikes,) coil on, on the audio clock; NaN for one that never came.
    time_line
        Of the run.
    """
    rate = recording.sample_rate_hz
    onsets = heard.onsets
    expected_s, flights = expected_landings(recording, onsets.frame / rate, drive_s, time_line)
    expected_s, felt, felt_within_s = felt_landings(
        recording, onsets.frame / rate, expected_s, time_line
    )
    adrift = adrift_strikes(recording, drive_s)
    onset_of = _match_strikes(expected_s, onsets.frame / rate, felt, felt_within_s, adrift)
    missing = np.flatnonzero((onset_of < 0) & np.isfinite(expected_s))
    parts = [
        listen_again(recording, heard, expected_s[some], within_s)
        for some, within_s in (
            (missing[felt[missing]], felt_within_s),
            (missing[~felt[missing]], FLIGHT_WITHIN_S),
        )
        if len(some)
    ]
    if parts:
        onsets = _merged(onsets, Onsets.join(parts), 1e-3 * rate)
        onset_of = _match_strikes(expected_s, onsets.frame / rate, felt, felt_within_s, adrift)
    inferred = _hidden(onsets.frame / rate, onset_of, expected_s, felt)
    onsets, onset_of = _without_late_arrivals(onsets, onset_of, inferred, rate)
    has = onset_of >= 0
    off = onsets.frame[onset_of[has]] / rate - expected_s[has]
    spread = 1.4826 * float(np.median(np.abs(off - np.median(off)))) if has.any() else 0.0
    spread = max(spread, LEAST_INFERRED_U_S)
    inferred_u_s = np.full(len(expected_s), spread)
    if recording.imported and has.any():
        u_s = np.full(len(expected_s), np.nan)
        u_s[has] = onsets.u_frames[onset_of[has]] / rate
        off_s = np.full(len(expected_s), np.nan)
        off_s[has] = off
        masked = _masked(expected_s)
        foretold_u_s, unknown = _foretold_by_like(recording, off_s, u_s, masked)
        unsure = (u_s > UNSURE_SPREADS * foretold_u_s) & masked
        inferred[unsure] = expected_s[unsure]
        inferred_u_s = np.where(np.isfinite(foretold_u_s), foretold_u_s, UNSEEN_U_S)
        inferred_u_s[unknown & np.isnan(foretold_u_s)] = UNKNOWN_U_S
        # where flights differ and nothing tells by how much, what was heard may be of another sound
        other = unknown & masked & has & ~unsure & ~(u_s > inferred_u_s)
        inferred[other] = onsets.frame[onset_of[other]] / rate
    return Contacts(onsets, onset_of, inferred, inferred_u_s, flights)


def _match_strikes(
    expected_s: Floats,
    onset_s: Floats,
    felt: npt.NDArray[np.bool_],
    felt_within_s: float,
    adrift: npt.NDArray[np.bool_],
) -> Ints:
    """Onset of each strike, -1 for none."""
    order = np.argsort(expected_s, kind="stable")  # NaN last
    onset_of = np.full(len(expected_s), -1, dtype=np.int64)
    # near first, so that a stroke missing in a roll doesn't shift the others; then what is left
    for before, after, some in (
        (felt_within_s, felt_within_s, felt),
        (NEAR_S, NEAR_S, ~felt),
        (FLIGHT_BEFORE_S, FLIGHT_AFTER_S, ~felt),
        (FLIGHT_UNKNOWN_S, FLIGHT_UNKNOWN_S, ~felt & adrift),
    ):
        rows = order[some[order] & (onset_of[order] < 0) & np.isfinite(expected_s[order])]
        free = np.setdiff1d(np.arange(len(onset_s)), onset_of)
        i, j = match_times(expected_s[rows], onset_s[free], before, after)
        onset_of[rows[i]] = free[j]
    return onset_of


def _without_late_arrivals(
    onsets: Onsets, onset_of: Ints, inferred_s: Floats, rate: float
) -> tuple[Onsets, Ints]:
    """Drop onsets that no strike explains and that belong to a stroke: its late arrivals."""
    owned = np.zeros(len(onsets), dtype=bool)
    owned[onset_of[onset_of >= 0]] = True
    at_s = onsets.frame / rate
    strokes_s = np.sort(np.concatenate([at_s[owned], inferred_s[np.isfinite(inferred_s)]]))
    if not len(strokes_s) or not len(onsets):
        return onsets, onset_of
    before = np.searchsorted(strokes_s, at_s + FLIGHT_BEFORE_S) - 1
    since = np.where(before >= 0, at_s - strokes_s[np.maximum(before, 0)], np.inf)
    keep = owned | (since > LATE_ARRIVAL_S)
    place = np.cumsum(keep) - 1
    return _picked(onsets, np.flatnonzero(keep)), np.where(onset_of >= 0, place[onset_of], -1)


def _picked(onsets: Onsets, some: Ints) -> Onsets:
    return Onsets(**{f.name: getattr(onsets, f.name)[some] for f in dataclasses.fields(Onsets)})


def _merged(onsets: Onsets, more: Onsets, least_frames: float) -> Onsets:
    """Add those of ``more`` that are new."""
    away = np.abs(more.frame[:, None] - onsets.frame).min(axis=1, initial=np.inf)
    both = Onsets.join([onsets, _picked(more, np.flatnonzero(away > least_frames))])
    order = np.argsort(both.frame, kind="stable")
    return _picked(both, order[np.diff(both.frame[order], prepend=-np.inf) > 1.0])


def _foretold_by_like(
    recording: Recording, off_s: Floats, u_s: Floats, masked: Bools
) -> tuple[Floats, Bools]:
    """Standard uncertainty of where each strike should land, by those alike that are surely seen.

    Where a plan tells no widths and no forces, all that stand alone are taken, and none is left out
    as an outlier: soft ones fly for longer.

    Parameters
    ----------
    recording
        Its plan.
    off_s, u_s
        (strikes,) onset less where it should be, and the onset's uncertainty; NaN: none seen.
    masked
        (strikes,) it lands in the sound of another.

    Returns
    -------
    foretold_u_s, unknown
        (strikes,) each; NaN where too few alike are seen; flights of which nothing is known.
    """
    foretold = np.full(len(off_s), np.nan)
    sure = u_s <= np.nanmedian(u_s)
    strikes = recording.strikes.reset_index(drop=True)
    alike = alike_flights(strikes)
    unknown = (alike == 0.0).to_numpy()
    sure = np.where(unknown, np.isfinite(off_s) & ~masked, sure)
    stage = strikes["stage"].where(alike == 0.0, "")  # a stage may strike otherwise than another
    for _, same in strikes.groupby(["striker", alike, stage]):
        own = same.index.to_numpy()
        if sure[own].sum() >= LEAST_LIKE:
            foretold[own] = _foretold_u(off_s[own[sure[own]]], usual=not unknown[own[0]])
    return foretold, unknown


def _foretold_u(off: Floats, usual: bool) -> float:
    """Standard uncertainty of one more landing, after (n,) that were off by so much; NaN: n < 2.

    A prediction interval's half width at 95 %, over 1.96 (Student; Hahn and Meeker 1991, from
    memory); of the ``usual`` ones, outliers left out.
    """
    if usual:
        apart = np.abs(off - np.median(off))
        off = off[apart <= OUTLIER * max(1.4826 * float(np.median(apart)), LEAST_INFERRED_U_S)]
    n = len(off)
    if n < 2:
        return np.nan
    widen = float(stdtrit(n - 1, 0.975)) / 1.96 * np.sqrt(1.0 + 1.0 / n)
    # about where it should be, which lies in the midst of the usual ones
    spread = off.std(ddof=1) if usual else np.sqrt(np.mean(off**2) * n / (n - 1))
    return max(float(spread * widen), LEAST_INFERRED_U_S)


def _masked(expected_s: Floats) -> Bools:
    """Strikes that land soon after another: (strikes,)."""
    order = np.argsort(expected_s, kind="stable")  # NaN last
    masked = np.zeros(len(expected_s), dtype=bool)
    masked[order] = np.diff(expected_s[order], prepend=-np.inf) <= MASK_S
    return masked


def _hidden(
    onset_s: Floats, onset_of: Ints, expected_s: Floats, felt: npt.NDArray[np.bool_]
) -> Floats:
    """Expected landings (s) of strikes that are hidden under the sound of another; else NaN.

    Where the bench has an impact pickup, it must have felt them.
    """
    hidden = np.full(len(expected_s), np.nan)
    for k in np.flatnonzero((onset_of < 0) & np.isfinite(expected_s)):
        before = onset_s[np.searchsorted(onset_s, expected_s[k]) - 1] if len(onset_s) else np.nan
        masked = 0.0 <= expected_s[k] - before <= MASK_S
        if felt[k] or (masked and not felt.any()):
            hidden[k] = expected_s[k]
    return hidden
