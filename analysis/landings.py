"""When each strike should land: by the usual flight of strikes alike, and by the impact pickup."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.load import Recording
from analysis.match import Latency, match_times, usual_flight
from analysis.timeline import TimeLine

Floats = npt.NDArray[np.float64]

FLIGHT_BEFORE_S, FLIGHT_AFTER_S = 0.0025, 0.004
"""An onset sooner or later than a landing by this may still be its own."""
FLIGHT_DOUBT_S = 0.006
"""A striker's flight may differ by so much from what the bench file says ..."""
FLIGHT_RESIDUE_S = 0.0015
"""... and at one pulse width from that at another, once that is set right."""
FLIGHT_UNKNOWN_S = 0.018
"""Doubt of each width's flight where no flights were calibrated: a soft stroke's is thrice a hard
one's. Strokes that stand alone tell it."""
ALONE_S = 0.06
FORCES_ALIKE = 0.05
"""Relative step of forces that count as one: the flight then changes by some 0.4 ms."""
EXPLAINED_S = 0.0005
"""An onset so near to where one striker landed teaches nothing of another."""
LEAST_LIKE = 5
"""Strikes alike, at least, that a delay or a flight of their own is taken from."""
FLIGHT_WITHIN_S = 0.0015
"""An onset not found is looked for again so near to the usual flight ..."""
FELT_LEAST_S, FELT_MOST_S, FELT_SPREADS = 0.0003, 0.0015, 6.0
"""... or to the pickup's answer: so many of its spreads, within these bounds."""


def expected_landings(
    recording: Recording, onset_s: Floats, drive_s: Floats, time_line: TimeLine | None
) -> tuple[Floats, dict[str, Latency]]:
    """When each strike should land, and the usual flight of each striker.

    Parameters
    ----------
    recording
        The run.
    onset_s
        (onsets,) rising, on the audio clock.
    drive_s
        (strikes,) coil on, on the audio clock; NaN for one that never came.
    time_line
        Of the run.

    Returns
    -------
    expected
        (strikes,) on the audio clock; NaN as in ``drive_s``.
    flights
        Striker to its usual time from coil to contact.
    """
    expected = np.full(len(drive_s), np.nan)
    flights: dict[str, Latency] = {}
    strikes = recording.strikes.reset_index(drop=True)
    guess = recording.flights_s(strikes)
    if time_line is not None and time_line.method == "onsets":
        guess = np.zeros(len(strikes))  # it is in the offset of the line
    alike = alike_flights(strikes)
    before, after = _silence(drive_s)
    lonely = before & after & (alike != 0.0).to_numpy()
    # who strikes out of silence is surely heard, and is learned first; its onsets teach no other's
    # flight, for in pairs of one gap they repeat as truly as the other's own
    silent = pd.Series(before).groupby(strikes["striker"].to_numpy()).sum()
    for striker in silent.sort_values(ascending=False, kind="stable").index:
        of_striker = strikes[strikes["striker"] == striker]
        rows = of_striker.index.to_numpy()
        shift = usual_flight(onset_s, drive_s[rows] + guess[rows], FLIGHT_DOUBT_S)
        expected[rows] = drive_s[rows] + guess[rows] + shift.middle_s
        facts = recording.strikers.get(str(striker))
        measured = bool(facts and facts.calibration and facts.calibration.flights_ms)
        for _, same in of_striker.groupby(alike[of_striker.index]):
            own = same.index.to_numpy()
            if not measured and lonely[own].any():
                rough = usual_flight(onset_s, expected[own[lonely[own]]], FLIGHT_UNKNOWN_S)
                expected[own] += rough.middle_s
            finer = usual_flight(onset_s, expected[own], FLIGHT_RESIDUE_S)
            expected[own] += finer.middle_s
        onset_s = _unexplained(onset_s, expected[rows])
        came = (expected[rows] - drive_s[rows])[np.isfinite(drive_s[rows])]
        flight = float(np.nanmedian(came)) if np.isfinite(came).any() else np.nan
        flights[str(striker)] = Latency(flight, shift.spread_s, shift.count)
    return expected, flights


def felt_landings(
    recording: Recording, onset_s: Floats, expected_s: Floats, time_line: TimeLine | None
) -> tuple[Floats, npt.NDArray[np.bool_], float]:
    """Better times of landing from an impact pickup, if any; which strikes it felt; how well (s).

    ``expected_s``: (strikes,) of ``expected_landings``; the rest as there.
    """
    felt = np.zeros(len(expected_s), dtype=bool)
    impacts = recording.of_kind("impact")
    if time_line is None or len(impacts) == 0:
        return expected_s, felt, FLIGHT_WITHIN_S
    at_s = np.sort(time_line.t_s(impacts["stamp_int"]))
    order = np.argsort(expected_s, kind="stable")
    i, j = match_times(expected_s[order], at_s, FLIGHT_BEFORE_S, FLIGHT_AFTER_S)
    rows = order[i]
    felt[rows] = True
    better = expected_s.copy()
    shift = usual_flight(onset_s, at_s[j], FLIGHT_RESIDUE_S)
    better[rows] = at_s[j] + shift.middle_s
    # the pickup answers a softer stroke later: its own delay for each striker and width
    strikes = recording.strikes.reset_index(drop=True)
    width = strikes["width_us"].fillna(0.0).round(-1)
    # on the tail of another a soft stroke may be heard late: only what stands alone may teach
    alone = np.zeros(len(felt), dtype=bool)
    alone[rows] = np.diff(at_s, prepend=-np.inf)[j] > ALONE_S
    for _, same in strikes[felt].groupby(["striker", width[felt]], sort=True):
        own = same.index.to_numpy()
        finer = usual_flight(onset_s, np.sort(better[own[alone[own]]]), FLIGHT_RESIDUE_S)
        if finer.count >= LEAST_LIKE:
            better[own] += finer.middle_s
    spread = FELT_SPREADS * shift.spread_s if np.isfinite(shift.spread_s) else FELT_MOST_S
    return better, felt, float(np.clip(spread, FELT_LEAST_S, FELT_MOST_S))


def alike_flights(strikes: pd.DataFrame) -> pd.Series:
    """Number that strikes of the same flight share: of their width, or else force; 0: not known.

    A plan from outside may hold forces alone.
    """
    force = strikes["force_n"].where(strikes["force_n"] > 0)
    by_force = -1000.0 - np.round(np.log(force) / FORCES_ALIKE)
    return strikes["width_us"].round(-1).fillna(by_force).fillna(0.0)


def adrift_strikes(recording: Recording, drive_s: Floats) -> npt.NDArray[np.bool_]:
    """Strikes that stand alone and of whose flight nothing can be known: (strikes,)."""
    before, after = _silence(drive_s)
    unknown = (alike_flights(recording.strikes.reset_index(drop=True)) == 0.0).to_numpy()
    return before & after & unknown


def _silence(drive_s: Floats) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Strikes with no other soon before, and soon after them; (strikes,) each."""
    order = np.argsort(drive_s, kind="stable")  # NaN last
    apart = np.diff(drive_s[order], prepend=-np.inf, append=np.inf) > ALONE_S
    before = np.zeros(len(drive_s), dtype=bool)
    after = before.copy()
    before[order], after[order] = apart[:-1], apart[1:]
    came = np.isfinite(drive_s)
    return before & came, after & came


def _unexplained(onset_s: Floats, expected_s: Floats) -> Floats:
    """Onsets that lie at none of these landings."""
    landed = np.sort(expected_s[np.isfinite(expected_s)])
    edges = np.searchsorted(landed, [onset_s - EXPLAINED_S, onset_s + EXPLAINED_S])
    free: Floats = onset_s[edges[0] == edges[1]]
    return free
