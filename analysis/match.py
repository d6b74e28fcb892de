"""Which onset is which strike's, and which note which stroke's: maximum one-to-one matching.

Nearest-first matching goes wrong just where a bench is needed: at flams and rolls. Here as many
pairs as possible are formed within a window, and among all such matchings the one is taken whose
pairs lie nearest to where they are expected.
"""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import numpy.typing as npt
from scipy.optimize import linear_sum_assignment

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

NEAR_S = 0.0025
"""Half window about the expected latency, at least."""
SPREADS = 6.0
LONGEST_LATENCY_S = 0.1
SHORTEST_LATENCY_S = 0.0
ISOLATED_S = 0.08
DOUBLE_WINDOW_S = 0.15
"""A further note up to so long after the stroke is its double; later it is a stray."""
CROSSTALK_WINDOW_S = 0.1
FALLBACK_LATENCY_S = 0.008


def match_times(
    source_s: npt.ArrayLike,
    target_s: npt.ArrayLike,
    before_s: float,
    after_s: float,
    handicap: npt.ArrayLike = 0.0,
) -> tuple[Ints, Ints]:
    """Match two rising lists of times one to one: most pairs first, then least distance.

    Parameters
    ----------
    source_s, target_s
        (n,), (m,) times.
    before_s, after_s
        A target may be matched to a source when it lies from so long before it to so long after.
    handicap
        Cost added to each source's pairs, as a share of the window; with it, of equal matchings,
        sources without are preferred.

    Returns
    -------
    source, target
        Places of the pairs, rising. NaN times match nothing.
    """
    source = np.asarray(source_s, dtype=np.float64)
    target = np.asarray(target_s, dtype=np.float64)
    extra = np.broadcast_to(np.asarray(handicap, dtype=np.float64), source.shape)
    low = np.searchsorted(target, source - before_s, side="left")
    high = np.searchsorted(target, source + after_s, side="right")
    high = np.where(np.isfinite(source), high, low)
    some = np.flatnonzero(high > low)
    if not len(some):
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    # sources whose ranges of targets touch belong to one cluster
    reach = np.maximum.accumulate(high[some])
    new = np.concatenate([[True], low[some][1:] >= reach[:-1]])
    starts = np.append(np.flatnonzero(new), len(some))
    pairs_source: list[Ints] = []
    pairs_target: list[Ints] = []
    window = max(before_s, after_s, 1e-9)
    for begin, end in itertools.pairwise(starts):
        rows = some[begin:end]
        first, last = int(low[rows].min()), int(high[rows].max())
        columns = np.arange(first, last)
        if len(rows) == 1 and len(columns) == 1:
            pairs_source.append(rows)
            pairs_target.append(columns)
            continue
        apart = target[columns][None, :] - source[rows][:, None]
        allowed = (columns >= low[rows][:, None]) & (columns < high[rows][:, None])
        # squares: of two crossing or parallel pairings in a row the even one is nearer the truth
        cost = (apart / window) ** 2 + extra[rows][:, None]
        forbidden = 10.0 * (1.0 + cost[allowed].max()) * (min(len(rows), len(columns)) + 1)
        row, column = linear_sum_assignment(np.where(allowed, cost, forbidden))
        real = allowed[row, column]
        pairs_source.append(rows[row[real]])
        pairs_target.append(columns[column[real]])
    source_places = np.concatenate(pairs_source)
    order = np.argsort(source_places, kind="stable")
    return source_places[order], np.concatenate(pairs_target)[order]


@dataclasses.dataclass(frozen=True)
class Latency:
    """What a first pass over isolated strokes says of the latency (or flight)."""

    middle_s: float
    spread_s: float
    count: int


def usual_delay(
    source_s: Floats,
    target_s: Floats,
    fallback_s: float,
    longest_s: float = LONGEST_LATENCY_S,
    isolated_s: float = ISOLATED_S,
) -> Latency:
    """Median delay from isolated sources to the first target after each, and its robust spread.

    Parameters
    ----------
    source_s, target_s
        Rising times.
    fallback_s
        Delay where fewer than three isolated sources have a target; NaN times count as none.
    longest_s
        Delays above this are those of something else.
    isolated_s
        Least distance to both neighbours. Where no source is isolated, all are taken.
    """
    source = source_s[np.isfinite(source_s)]
    if len(source) == 0 or len(target_s) == 0:
        return Latency(fallback_s, np.nan, 0)
    gap = np.diff(source, prepend=-np.inf, append=np.inf)
    alone = source[(gap[:-1] > isolated_s) & (gap[1:] > isolated_s)]
    if len(alone) < 3:
        alone = source
    after = np.searchsorted(target_s, alone, side="left")
    delay = np.full(len(alone), np.nan)
    has = after < len(target_s)
    delay[has] = target_s[after[has]] - alone[has]
    delay = delay[delay <= longest_s]
    if len(delay) < 3:
        return Latency(fallback_s, np.nan, len(delay))
    middle = float(np.median(delay))
    spread = 1.4826 * float(np.median(np.abs(delay - middle)))
    return Latency(middle, spread, len(delay))


def usual_flight(onset_s: Floats, expected_s: Floats, doubt_s: float) -> Latency:
    """By how much onsets usually come later than expected: the most frequent difference.

    Echoes and other strikers' strokes lie at differences that change from stroke to stroke; only
    the true one repeats. Its median is taken within half a millisecond of the densest place.

    Parameters
    ----------
    onset_s
        Rising times.
    expected_s
        Times at which strokes are expected; NaN ones are left out.
    doubt_s
        Largest difference.

    Returns
    -------
    Latency
        ``middle_s`` 0 where no onset is near.
    """
    expected = expected_s[np.isfinite(expected_s)]
    low = np.searchsorted(onset_s, expected - doubt_s)
    high = np.searchsorted(onset_s, expected + doubt_s)
    count = high - low
    row = np.repeat(np.arange(len(expected)), count)
    first = np.repeat(low - np.concatenate([[0], np.cumsum(count)[:-1]]), count)
    apart = np.sort(onset_s[first + np.arange(len(row))] - expected[row]) if len(row) else row
    if len(apart) == 0:
        return Latency(0.0, np.nan, 0)
    crowd = np.searchsorted(apart, apart + 5e-4, side="right") - np.arange(len(apart))
    k = int(crowd.argmax())
    near = apart[k : k + crowd[k]]
    middle = float(np.median(near))
    return Latency(middle, 1.4826 * float(np.median(np.abs(near - middle))), len(near))


@dataclasses.dataclass(frozen=True)
class NoteMatch:
    """What each note is.

    Attributes
    ----------
    role
        (notes,) ``first``, ``double``, ``stray`` or ``crosstalk``.
    stroke
        (notes,) place of its stroke, -1 for a stray.
    first
        (strokes,) place of the first note, -1 for none.
    latency
        Usual latency that was used.
    """

    role: npt.NDArray[np.str_]
    stroke: Ints
    first: Ints
    latency: Latency


def match_notes(
    onset_s: npt.ArrayLike,
    note_s: npt.ArrayLike,
    own_zone: npt.ArrayLike,
    unplanned: npt.ArrayLike | None = None,
    longest_latency_s: float = LONGEST_LATENCY_S,
) -> NoteMatch:
    """Say of each note which stroke it is of.

    First the notes of the struck zone are matched near the usual latency, which isolated strokes
    give; then strokes still without a note get one that comes later or sooner, if no other
    stroke lies between. What is left of the zone's notes are doubles of the latest stroke that
    already has its note, or strays; notes of other zones are crosstalk of the latest stroke, or
    strays.

    Parameters
    ----------
    onset_s
        (strokes,) rising times; NaN where no onset is known.
    note_s
        (notes,) rising times of the ends of notes.
    own_zone
        (notes,) note is of the zone that is struck.
    unplanned
        (strokes,) onset that no strike explains: takes a note only if no planned one can.
    longest_latency_s
        Notes later than this are of no stroke.
    """
    onset = np.asarray(onset_s, dtype=np.float64)
    note = np.asarray(note_s, dtype=np.float64)
    own = np.asarray(own_zone, dtype=bool)
    extra = np.zeros(len(onset)) if unplanned is None else np.asarray(unplanned, dtype=float)
    role = np.full(len(note), "stray", dtype="<U9")
    stroke = np.full(len(note), -1, dtype=np.int64)
    first = np.full(len(onset), -1, dtype=np.int64)
    known = np.flatnonzero(np.isfinite(onset))
    own_notes = np.flatnonzero(own)
    usual = usual_delay(onset[known], note[own_notes], FALLBACK_LATENCY_S, longest_latency_s)
    near = max(NEAR_S, SPREADS * usual.spread_s if np.isfinite(usual.spread_s) else 0.02)
    near_before = min(near, usual.middle_s - SHORTEST_LATENCY_S)
    s, n = match_times(
        onset[known] + usual.middle_s, note[own_notes], near_before, near, extra[known]
    )
    first[known[s]] = own_notes[n]
    _late_ones(onset, note, known, own_notes, first, usual.middle_s, longest_latency_s)
    has = np.flatnonzero(first >= 0)
    role[first[has]] = "first"
    stroke[first[has]] = has
    # doubles: of the latest stroke whose note has gone before
    begun = has[np.argsort(note[first[has]], kind="stable")]
    for k in own_notes[stroke[own_notes] < 0]:
        place = int(np.searchsorted(note[first[begun]], note[k])) - 1
        if place >= 0 and note[k] - onset[begun[place]] <= DOUBLE_WINDOW_S:
            role[k], stroke[k] = "double", begun[place]
    for k in np.flatnonzero(~own):
        place = int(np.searchsorted(onset[known], note[k])) - 1
        if place >= 0 and note[k] - onset[known[place]] <= CROSSTALK_WINDOW_S:
            role[k], stroke[k] = "crosstalk", known[place]
    return NoteMatch(role, stroke, first, usual)


def _late_ones(
    onset: Floats,
    note: Floats,
    known: Ints,
    own_notes: Ints,
    first: Ints,
    usual_s: float,
    longest_s: float,
) -> None:
    """Give strokes still without a note the first free one before the next stroke.

    One that is sooner than usual may also come before the note that the next stroke has already.
    """
    taken = np.zeros(len(note), dtype=bool)
    taken[first[first >= 0]] = True
    free = own_notes[~taken[own_notes]]
    for place, k in enumerate(known):
        if first[k] >= 0 or not len(free):
            continue
        until = onset[k] + longest_s
        if place + 1 < len(known):
            following = known[place + 1]
            latest = onset[following]
            if first[following] >= 0:
                latest = max(latest, min(onset[k] + usual_s, note[first[following]]))
            until = min(until, latest)
        at = int(np.searchsorted(note[free], onset[k] + SHORTEST_LATENCY_S))
        # a note of an earlier stroke that is still to come would be out of order
        if at < len(free) and note[free[at]] <= until:
            earlier = known[:place][first[known[:place]] >= 0]
            if len(earlier) and note[first[earlier[-1]]] > note[free[at]]:
                continue
            first[k] = free[at]
            free = np.delete(free, at)
