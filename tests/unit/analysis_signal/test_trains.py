"""Strokes one after the other, of windows whose make-up is given: which onsets stand as heard."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from analysis import trains
from analysis.explained import Explained
from analysis.kept_sound import KeptSound
from analysis.lone_strokes import Shapes
from analysis.stroke_sound import StrokeSounds
from analysis.trains import STEP_S, Told, Trains
from analysis.two_strokes import Copies, Grid

GRID = Grid(48_000.0)
FIRST_S = 1.0
SCANNED_S = FIRST_S + STEP_S
"""Where the window after the first stroke's begins."""


def made_of(delays_s: Sequence[float], left: float, fits: bool = True) -> Explained:
    """A window of copies of the only shape, of which so much is left at each moment."""
    n = len(delays_s)
    delay = np.array(delays_s) * GRID.rate_hz
    copies = Copies(np.zeros(n, dtype=np.int64), delay, np.ones(n), np.ones(n), left)
    return Explained(copies, left, np.full(GRID.compared, left), 1e-4, fits)


def told_of(
    monkeypatch: pytest.MonkeyPatch, onsets_s: Sequence[float], windows: Sequence[Explained]
) -> Told:
    """What is told of onsets whose windows are made of these, and then of nothing."""
    given = iter(windows)
    monkeypatch.setattr(trains, "explain", lambda *_: next(given, made_of([], 0.0)))
    left = KeptSound(GRID.rate_hz)
    left.add(0, np.full(round(2.0 * GRID.rate_hz), 0.1))
    local = np.zeros((1, GRID.compared))
    local[:, : GRID.pre + round(0.01 * GRID.rate_hz)] = 0.05
    flat = np.zeros((1, len(GRID.turn)), dtype=np.complex128)
    shapes = Shapes(
        flat,
        [np.arange(3)],
        [np.zeros(3)],
        np.zeros(1),
        local,
        np.zeros((1, 1)),
        np.zeros((1, 1, GRID.delays[1])),
    )
    size = round(0.6 * GRID.rate_hz)
    silence = np.zeros(size // 2 + 1, dtype=np.complex128)
    sounds = StrokeSounds(size, [silence], [size - 1], [1e-9])
    onsets = np.array(onsets_s) * GRID.rate_hz
    one = Trains(GRID, left, 1e-4, shapes, sounds, np.zeros(1))
    return one.tell(onsets, np.ones(len(onsets)), 2.0 * GRID.rate_hz)


def test_an_onset_before_a_window_is_not_judged_by_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is left where the window begins, 8 ms later: that does not tell it away."""
    second_s = SCANNED_S + 0.03
    told = told_of(
        monkeypatch,
        [FIRST_S, second_s - 0.008],
        [made_of([0.0], 0.3), made_of([0.03], 0.3), made_of([0.0], 0.0)],
    )
    assert told.heard == [0, 1]
    assert [one.place / GRID.rate_hz for one in told.copies] == [pytest.approx(second_s)]


def test_a_stroke_told_is_not_heard_once_more(monkeypatch: pytest.MonkeyPatch) -> None:
    """Told just before the end of what is settled, heard just after it; what follows is untold."""
    second_s = SCANNED_S + 0.0499
    told = told_of(
        monkeypatch,
        [FIRST_S, second_s + 0.0002],
        [made_of([0.0], 0.3), made_of([0.0499], 0.3), made_of([0.0], 0.3, fits=False)],
    )
    assert told.heard == [0]
    assert [one.place / GRID.rate_hz for one in told.copies] == [pytest.approx(second_s)]
    assert (told.told, told.untold) == (1, 1)
