"""Nested levels of spread against the handbook's example."""

import math

import numpy as np
import pandas as pd
import pytest

from analysis.nested import nested, pooled_sd

# NIST/SEMATECH e-Handbook 2.4.4.1, check standard 140, probe 2362 (MPC441.DAT; typed from memory,
# all three published deviations come out): run, average and deviation of six repeats
MPC441 = (
    (1, 96.0771, 0.1024),
    (1, 95.9976, 0.0943),
    (1, 96.0148, 0.0622),
    (1, 96.0397, 0.0702),
    (1, 96.0407, 0.0627),
    (1, 96.0445, 0.0622),
    (2, 96.0793, 0.0996),
    (2, 96.1115, 0.0533),
    (2, 96.0803, 0.0364),
    (2, 96.0411, 0.0768),
    (2, 96.0988, 0.1042),
    (2, 96.0482, 0.0868),
)


def test_nested_levels_are_those_of_the_handbook() -> None:
    """NIST e-Handbook 2.4.4: level-1 0.07871 (60 df), level-2 0.02742 (10 df), level-3 0.0289."""
    unit = np.array([-1.0, -1.0, -1.0, 1.0, 1.0, 1.0]) * math.sqrt(5.0 / 6.0)
    rows = [
        (run, day, average + deviation * shape)
        for day, (run, average, deviation) in enumerate(MPC441)
        for shape in unit
    ]
    table = pd.DataFrame(rows, columns=["run", "day", "reading"])
    study = nested(table, value="reading", levels=["run", "day"])
    assert study.levels == ("repeat", "day", "run")
    assert study.level_sd[0] == pytest.approx(0.07871, abs=1e-5)
    assert study.level_sd[1] == pytest.approx(0.02742, abs=1e-5)
    assert study.level_df == (60, 10, 1)
    # the averages are known to half of 1e-4, and so is the figure
    assert study.level_sd[2] == pytest.approx(0.0289, abs=1e-4)
    by_run = table.groupby(["run", "day"])["reading"].mean().groupby("run").std()
    assert by_run.to_numpy() == pytest.approx([0.027280, 0.027560], abs=5e-6)


def test_level_three_pools_as_in_the_handbook() -> None:
    """NIST e-Handbook 2.4.4.3: five wafers' level-3 deviations pool to 0.0197."""
    assert pooled_sd([0.0223, 0.0027, 0.0289, 0.0133, 0.0205]) == pytest.approx(0.0197, abs=5e-5)
