"""Spread within and between groups, against certified analyses of variance."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import scipy.stats

from analysis.nested import nested

FOLDER = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_anova"
"""Data sets of NIST StRD, one-way analysis of variance, which the scipy wheel carries."""


# SmLs07 to 09 hold readings near 10^12, of which a double keeps 13 digits in all: there F is right
# to 1e-3 at best, as the data sets' own notes on difficulty have it (from memory)
@pytest.mark.parametrize(
    ("name", "certified_f", "tolerance"),
    [
        ("AtmWtAg", 15.9467335677930, 1e-6),
        ("SiRstv", 1.18046237440255, 1e-9),
        *((f"SmLs0{k}", f, 1e-9) for k, f in ((1, 21.0), (2, 201.0), (3, 2001.0))),
        *((f"SmLs0{k}", f, 1e-3) for k, f in ((4, 21.0), (5, 201.0), (6, 2001.0))),
        *((f"SmLs0{k}", f, 1e-3) for k, f in ((7, 21.0), (8, 201.0), (9, 2001.0))),
    ],
)
def test_ratio_of_variances_is_the_certified_one(
    name: str, certified_f: float, tolerance: float
) -> None:
    """F is the variance of the means times their count, over the pooled one within.

    Source: NIST StRD, certified F of each data set, and sums of squares of SiRstv.
    """
    rows = np.loadtxt(FOLDER / f"{name}.dat", skiprows=60)
    table = pd.DataFrame({"treatment": rows[:, 0].astype(int), "reading": rows[:, 1]})
    study = nested(table, value="reading", levels=["treatment"])
    within, between = study.level_sd
    repeats = len(table) // table["treatment"].nunique()
    assert repeats * between**2 / within**2 == pytest.approx(certified_f, rel=tolerance)
    if name == "SiRstv":
        assert within == pytest.approx(0.104076068334656, rel=1e-9)
        treatments, inside = study.level_df[1], study.level_df[0]
        assert treatments * repeats * between**2 == pytest.approx(5.11462616e-2, rel=1e-7)
        assert inside * within**2 == pytest.approx(2.1663656e-1, rel=1e-7)
