"""Onsets of the softest strokes of pads whose contact is long, against the simulation's truth."""

from __future__ import annotations

from pathlib import Path

import advice
import numpy as np
import pytest


@pytest.mark.parametrize("number", [45, pytest.param(61, marks=pytest.mark.long)])
def test_a_soft_blunt_stroke_is_timed_by_its_foot(number: int, tmp_path: Path) -> None:
    """35 dB above the noise a rise of 1.5 ms shows by its crest first; its onset is the foot."""
    case = advice.cases(number + 1)[number]
    analysis, truth = advice.strike(case, tmp_path / "run", case.settings, again=True)
    strokes = analysis.table.strokes
    onset_s = strokes["onset_t_s"].to_numpy(float)
    true_s = np.sort(truth.column("contacts", "onset_s"))
    off_s = onset_s - true_s[np.abs(onset_s[:, None] - true_s).argmin(axis=1)]
    softest = (strokes["force_n"] == strokes["force_n"].min()).to_numpy()
    assert softest.sum() >= 18
    assert np.isfinite(off_s).all()
    assert abs(np.median(off_s[softest])) < 30e-6
    assert np.mean(np.abs(off_s) <= 1.96 * strokes["onset_u_s"].to_numpy(float)) >= 0.9
