"""What a page says of second strokes: bounds where the gaps struck end, the model, and late notes."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from analysis.late_seconds import late_seconds
from analysis.recovery import RecoveryMap
from analysis.report.recovery_part import contour_rows, recovery_part
from rig.record.specimen import Settings

TODAY = Settings(dead_time_ms=13.0, release_ms=22.0, peak_window_ms=2.0)


def struck(wait_ms: float) -> RecoveryMap:
    """Pairs of which the second is caught from a gap on; 6 dB softer, 10 ms later."""
    found = RecoveryMap([5.0, 10.0, 20.0, 30.0], [-6.0, 0.0])
    for gap in found.gaps_ms:
        for difference in found.level_differences_db:
            caught = gap >= wait_ms + (10.0 if difference < 0 else 0.0)
            found.record(float(gap), float(difference), 12 * caught, 12)
    return found


def pairs(late: int, count: int = 20) -> pd.DataFrame:
    """Pairs 20 ms apart with notes after 4 ms; of the seconds some after 12.5 ms."""
    place = np.tile([0, 1], count)
    group = np.repeat(np.arange(count), 2)
    latency_ms = 4.0 + 0.3 * np.sin(np.arange(2 * count))
    latency_ms[1 : 2 * late : 2] = 12.5
    onset = 0.5 * group + 0.020 * place
    return pd.DataFrame(
        {
            "stroke": np.arange(2 * count), "strike": np.arange(2 * count), "group": group,
            "place": place, "pattern": "flam", "outcome": "clean", "valid": True,
            "excluded_because": "", "onset_t_s": onset, "latency_s": latency_ms / 1e3,
            "note_t_s": onset + latency_ms / 1e3, "velocity": 60.0, "gap_ms": 20.0,
            "level_difference_db": 0.0,
        }
    )  # fmt: skip


def test_a_figure_beyond_the_gaps_struck_is_a_bound() -> None:
    """Caught at the shortest gap is "at most" it, lost at the longest "at least" it."""
    soft, alike = contour_rows(struck(wait_ms=4.0), TODAY)
    assert alike["half"].startswith("at most ")
    assert float(alike["half"].split()[-1]) >= 5.0
    assert "[" in soft["half"]
    soft, alike = contour_rows(struck(wait_ms=25.0), TODAY)
    assert soft["half"].startswith("at least ")
    assert float(soft["half"].split()[-1]) <= 30.0
    assert "[" in alike["half"] or alike["half"].startswith("at ")


def test_the_model_of_the_settings_stands_beside_it() -> None:
    """13 ms, and for 6 dB softer 22 ms times 6 dB in nepers (0.691) more; a dash where not known."""
    soft, alike = contour_rows(struck(wait_ms=15.0), TODAY)
    assert float(alike["model"]) == 13.0
    assert float(soft["model"]) == pytest.approx(13.0 + 22.0 * 6.0 * math.log(10) / 20, abs=0.05)
    assert {row["model"] for row in contour_rows(struck(wait_ms=15.0), Settings())} == {"–"}


def test_late_notes_of_second_strokes_are_told() -> None:
    """Five of twenty that come 8 ms later than all others are; jitter of the loop is not."""
    found = late_seconds(pairs(late=5))
    assert found is not None
    assert (found.late, found.caught) == (5, 20)
    assert found.late_ms == pytest.approx(12.5)
    assert found.usual_ms == pytest.approx(4.0, abs=0.2)
    assert late_seconds(pairs(late=0)) is None
    # with few strokes that none stands before, what is usual is not known
    assert late_seconds(pairs(late=2, count=6)) is None
    told = recovery_part(struck(wait_ms=15.0), pairs(late=5), TODAY)["late_seconds"]
    assert told.startswith("5 of 20 second strokes")
    assert recovery_part(None, pairs(late=5), TODAY)["late_seconds"] == ""
