"""Matching against brute force and mir_eval; attribution of notes in the cases that go wrong."""

from __future__ import annotations

import itertools

import mir_eval
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.match import match_notes, match_times, usual_delay

times = st.lists(st.integers(0, 400), max_size=12, unique=True).map(
    lambda values: np.sort(np.array(values, dtype=float)) * 1e-3
)
few = st.lists(st.integers(0, 60), max_size=5, unique=True).map(
    lambda values: np.sort(np.array(values, dtype=float)) * 1e-3
)


@settings(derandomize=True, deadline=None)
@given(times, times, st.integers(1, 40))
def test_as_many_pairs_as_mir_eval_finds(source, target, window_ms):
    """Cardinality of mir_eval.util.match_events (Hopcroft-Karp), the trade's scoring rule."""
    window = window_ms * 1e-3 + 1e-7
    ours, theirs = match_times(source, target, window, window)
    assert len(ours) == len(mir_eval.util.match_events(source, target, window))
    assert len(set(theirs.tolist())) == len(theirs)
    assert (np.abs(source[ours] - target[theirs]) <= window).all()


def brute_force(source, target, before, after):
    """(most pairs, least sum of squares) over every matching."""
    best = (0, 0.0)
    for count in range(min(len(source), len(target)), 0, -1):
        costs = [
            sum((target[j] - source[i]) ** 2 for i, j in zip(rows, columns, strict=True))
            for rows in itertools.combinations(range(len(source)), count)
            for columns in itertools.permutations(range(len(target)), count)
            if all(
                -before <= target[j] - source[i] <= after
                for i, j in zip(rows, columns, strict=True)
            )
        ]
        if costs:
            return count, min(costs)
    return best


@settings(derandomize=True, deadline=None, max_examples=60)
@given(few, few, st.integers(1, 30), st.integers(1, 30))
def test_the_best_of_all_matchings(source, target, before_ms, after_ms):
    """Most pairs, and among those the least sum of squared distances, by trying all."""
    before, after = before_ms * 1e-3 + 1e-7, after_ms * 1e-3 + 1e-7
    i, j = match_times(source, target, before, after)
    count, cost = brute_force(source, target, before, after)
    assert len(i) == count
    assert ((target[j] - source[i]) ** 2).sum() == pytest.approx(cost, abs=1e-12)


def onsets_every(gap_s, count=20, start=1.0):
    """Isolated strokes first, so that the latency is known, then a train."""
    alone = np.arange(8) * 0.3
    return np.concatenate([alone, alone[-1] + start + np.arange(count) * gap_s])


def roles(onsets, notes, own=None, **more):
    """Match, with all notes of the struck zone unless told otherwise."""
    order = np.argsort(notes)
    own = np.ones(len(notes), dtype=bool) if own is None else np.asarray(own)[order]
    return match_notes(onsets, np.asarray(notes)[order], own, **more)


def test_of_a_flam_the_one_that_sounds_has_the_note():
    """4 ms apart and only one note: it is of the stroke that lies one latency before it."""
    for sounding in (0, 1):
        onsets = np.concatenate([onsets_every(0.3), [20.0, 20.004]])
        notes = np.delete(onsets + 0.009, -2 if sounding else -1)
        found = roles(onsets, notes)
        assert (found.first[-2:] >= 0).tolist() == [sounding == 0, sounding == 1]
        assert (found.first >= 0).sum() == len(notes)


def test_one_lost_stroke_of_a_roll_does_not_shift_the_rest():
    """Every note stays with its stroke although a double at the end could fill the row."""
    onsets = onsets_every(0.02)
    notes = np.append(np.delete(onsets + 0.009, 12), onsets[-1] + 0.009 + 0.025)
    found = roles(onsets, notes)
    assert np.flatnonzero(found.first < 0).tolist() == [12]
    assert found.role[-1] == "double"
    assert found.stroke[-1] == len(onsets) - 1


def test_doubles_strays_and_crosstalk():
    """Each kind once, far enough apart to be told."""
    onsets = onsets_every(0.5, count=10)
    double, cross, stray, other_stray = (
        onsets[10] + 0.06,
        onsets[12] + 0.012,
        onsets[14] + 0.4,
        onsets[16] + 0.4,
    )
    notes = np.concatenate([onsets + 0.009, [double, cross, stray, other_stray]])
    own = np.ones(len(notes), dtype=bool)
    own[[-3, -1]] = False
    found = roles(onsets, notes, own)
    order = np.argsort(notes)
    kind = {float(notes[k]): str(r) for k, r in zip(order, found.role, strict=True)}
    assert [kind[t] for t in (double, cross, stray, other_stray)] == [
        "double",
        "crosstalk",
        "stray",
        "stray",
    ]
    assert (found.first >= 0).all()


def test_a_late_note_is_still_its_strokes():
    """40 ms late and no other stroke between: late, not lost."""
    onsets = onsets_every(0.3)
    notes = onsets + 0.009
    notes[12] += 0.04
    assert (roles(onsets, notes).first >= 0).all()


def test_a_note_sooner_than_usual_may_come_after_the_next_stroke():
    """Pairs 4 ms apart, notes 4.2 and 12.8 ms late where 12.8 ms is usual: each has its own."""
    alone = np.arange(20) * 0.3
    first = 10.0 + np.arange(8) * 0.5
    onsets = np.sort(np.concatenate([alone, first, first + 0.004]))
    notes = np.concatenate([alone + 0.0128, first + 0.0042, first + 0.004 + 0.0128])
    found = roles(onsets, notes)
    assert found.role.tolist() == ["first"] * len(notes)
    assert np.sort(found.first).tolist() == list(range(len(notes)))
    late = np.sort(notes)[found.first[20:]] - onsets[20:]
    assert late == pytest.approx([0.0042, 0.0128] * 8)


def test_a_note_before_its_stroke_is_a_stray():
    """A cause comes before its effect."""
    onsets = onsets_every(0.5)
    notes = onsets + 0.009
    notes[12] = onsets[12] - 0.001
    found = roles(onsets, notes)
    assert found.first[12] < 0
    assert "stray" in found.role.tolist()


def test_an_onset_no_strike_explains_takes_no_planned_ones_note():
    """A bounce 3 ms after a stroke leaves the stroke its note."""
    onsets = np.sort(np.append(onsets_every(0.3), onsets_every(0.3)[12] + 0.003))
    unplanned = np.zeros(len(onsets), dtype=bool)
    unplanned[13] = True
    notes = np.delete(onsets, 13) + 0.009
    found = roles(onsets, notes, unplanned=unplanned)
    assert np.flatnonzero(found.first < 0).tolist() == [13]


def test_nothing_to_match():
    """Empty and NaN onsets: every note is a stray, every stroke without a note."""
    assert roles(np.zeros(0), np.array([1.0])).role.tolist() == ["stray"]
    assert roles(np.array([np.nan]), np.array([1.0])).first.tolist() == [-1]
    assert roles(np.array([1.0]), np.zeros(0)).first.tolist() == [-1]
    assert usual_delay(np.zeros(0), np.zeros(0), 0.008).middle_s == 0.008
