"""Gauge studies of runs made as a user makes them, on the simulated bench."""

from __future__ import annotations

import pytest
from struck import strike

from analysis.gauge_study import StudyError
from analysis.qualify import StudiedRun, over_a_day, qualify

LADDER = """format = 1
name = "gauge study"
purpose = "Check strokes"
[[stage]]
name = "check"
pattern = "single"
strikers = ["A", "B"]
forces_n = [8]
repeats = 20
interval_ms = 110
"""


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> list[StudiedRun]:
    """Two pads, each mounted three times; the second one is struck nearer to its edge."""
    folder = tmp_path_factory.mktemp("study")
    found = []
    for pad, delay in (("first", 13.0), ("second", 13.0)):
        for turn in range(3):
            window = 2.0 if pad == "first" else 2.6
            name = f"{pad}{turn}"
            analysis, _ = strike(
                LADDER, folder / name, seed=10 * turn + (pad == "second"),
                settings={"dead_time_ms": delay, "peak_window_ms": window},
            )  # fmt: skip
            found.append(
                StudiedRun(
                    name=name, specimen=pad, day=f"day {turn // 2}", mounting=f"turn {turn}",
                    strokes=analysis.table.strokes, begun_s=7200.0 * turn,
                )
            )  # fmt: skip
    return found


def test_a_crossed_study_names_its_method_and_sees_the_difference(runs: list[StudiedRun]) -> None:
    """A peak window 0.6 ms longer shows: specimens differ by it, and it is seen with 40 strokes."""
    found = qualify(runs, conditions=("mounting", "striker"))
    assert found.method.startswith("ANOVA with pooling")
    # two values 0.6 ms apart have a standard deviation of 0.42 ms
    assert 0.3 < found.part_sd < 0.55
    # a main loop that polls each millisecond: 1 / sqrt(12) ms
    assert found.repeatability_sd == pytest.approx(0.289, abs=0.06)
    assert found.verdict(0.6, 40).startswith("seen")
    assert found.verdict(0.01, 40).startswith("not seen")


def test_one_specimen_makes_a_nested_study(runs: list[StudiedRun]) -> None:
    """Repeats within remounting within day; what did not vary is refused by name."""
    own = [run for run in runs if run.specimen == "first"][:2]
    twice = [
        StudiedRun(
            name=f"{run.name} {day}", specimen="first", day=day, mounting=f"{run.mounting} {day}",
            strokes=run.strokes,
        )
        for day in ("Monday", "Tuesday")
        for run in own
    ]  # fmt: skip
    found = qualify(twice, conditions=("day", "mounting"))
    assert found.method == "nested, repeats within mounting within day"
    assert set(found.condition_sd) == {"day", "mounting"}
    assert found.visible_difference(100) >= found.visible_difference(1000)
    with pytest.raises(StudyError, match="day did not vary"):
        qualify(own, conditions=("day", "mounting"))


def test_a_drifting_striker_is_told(runs: list[StudiedRun]) -> None:
    """Levels that fall by 0.3 dB an hour over six runs drift, with the rate; untouched are steady."""
    base = next(run for run in runs if run.specimen == "first")
    day = []
    for hour in range(6):
        strokes = base.strokes.copy()
        strokes["peak_dbfs"] = strokes["peak_dbfs"] - 0.3 * hour + 0.01 * (-1) ** hour
        day.append(
            StudiedRun(
                name=str(hour), specimen="first", day="1", mounting="1", strokes=strokes,
                begun_s=3600.0 * hour,
            )
        )  # fmt: skip
    found = over_a_day(day, reading="level")
    assert set(found) == {"A", "B"}
    for one in found.values():
        assert one.standing == "drifts"
        assert one.drift_low < -0.3 < one.drift_high
    with pytest.raises(StudyError, match="several specimens"):
        over_a_day(runs, reading="level")
    with pytest.raises(StudyError, match="at least 5"):
        over_a_day(day[:3], reading="level")
