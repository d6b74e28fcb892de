"""Which bursts of a stage tell most, from the rows of a plan."""

import numpy as np
import pandas as pd
import pytest

from analysis.stage_search import StageSearch
from rig.record.protocol import FlamStage, SingleStage

STAGE = FlamStage(
    name="map", strikers=("A", "B"), gaps_ms=(8.0, 20.0, 32.0), level_differences_db=(-12.0, 0.0),
    repeats=10, force_n=12.0, precision_ms=4.0, chance_percent=95.0,
)  # fmt: skip


def plan_rows() -> pd.DataFrame:
    """Pairs of a plan, in order of their coils' starts: the soft second ones start first."""
    rows = []
    for burst, (gap, level) in enumerate(
        [(g, d) for _ in range(10) for g in STAGE.gaps_ms for d in STAGE.level_differences_db]
    ):
        pair = [(burst, 0, np.nan, level), (burst, 1, gap, level)]
        rows += pair[::-1] if level < 0 else pair
    return pd.DataFrame(rows, columns=["burst", "place", "gap_ms", "level_difference_db"])


def test_a_pairs_gap_is_that_of_its_second_stroke() -> None:
    """Whichever coil starts first, each pair is taken in at its gap and level difference."""
    plan = plan_rows()
    search = StageSearch(STAGE, plan, 0.95)
    burst = int(
        plan.loc[(plan["gap_ms"] == 20.0) & (plan["level_difference_db"] < 0), "burst"].iloc[0]
    )
    search.record(burst, [1, 0])
    assert search.map is not None
    assert search.map.trials.tolist() == [[0, 0], [1, 0], [0, 0]]
    assert search.map.caught.sum() == 0


@pytest.mark.parametrize("level_differences_db", [(-12.0, 0.0), (0.0,)])
def test_pairs_whose_first_stroke_is_lost_tell_nothing(
    level_differences_db: tuple[float, ...],
) -> None:
    """Where no first stroke sounds it is said that nothing is known, and no number is."""
    plan = plan_rows()
    kept = (
        plan.groupby("burst")["level_difference_db"].transform("first").isin(level_differences_db)
    )
    search = StageSearch(STAGE, plan[kept], 0.95)
    while (burst := search.next_burst()) is not None:
        search.record(burst, [0, 0])
    answer = search.answer()
    assert not answer.done
    assert "search in stage 'map': 95 % of second strokes are caught from: nothing is known; " in (
        answer.sentence
    )
    assert f"{search.strokes} strokes" in answer.sentence
    assert "none of them after one that sounded" in answer.sentence


def test_levels_too_far_apart_are_named() -> None:
    """Where the answer lies between two levels further apart than the precision, that is said."""
    plan = plan_rows()
    search = StageSearch(STAGE, plan, 0.95)
    while (burst := search.next_burst()) is not None:
        pair = plan[plan["burst"] == burst]
        late = pair["gap_ms"].max() >= (32.0 if pair["level_difference_db"].iloc[0] < 0 else 8.0)
        search.record(burst, [1, int(late)])
    sentence = search.answer().sentence
    assert "not as precise as 4 ms: give levels closer together about" in sentence


def test_a_jump_in_too_wide_a_step_ends_the_search() -> None:
    """Once it is told in which step the jump lies, the rest of the repeats is not struck."""
    stage = SingleStage(
        name="soft", strikers=("A",), forces_n=(1.0, 2.0, 3.0, 4.0, 5.0), repeats=500,
        precision_n=0.3,
    )  # fmt: skip
    plan = pd.DataFrame({"force_n": np.tile(stage.forces_n, 500), "level_difference_db": 0.0})
    search = StageSearch(stage, plan.assign(burst=np.arange(len(plan))), 0.95)
    while (burst := search.next_burst()) is not None:
        search.record(burst, [int(plan["force_n"][burst] > 2.5)])
    assert search.strokes < 100
    answer = search.answer()
    assert not answer.done
    assert "give levels closer together about 2." in answer.sentence


def test_a_chance_that_falls_again_is_told() -> None:
    """Gaps caught, then lost, then caught again: said, with the key to leave out."""
    stage = FlamStage(
        name="flam", strikers=("A", "B"), gaps_ms=tuple(np.arange(10.0, 40.0, 2.0)), force_n=12.0,
        precision_ms=3.0,
    )  # fmt: skip
    gaps = np.tile(stage.gaps_ms, 3)
    plan = pd.DataFrame({"gap_ms": gaps, "burst": np.arange(gaps.size), "level_difference_db": 0.0})
    for lost, told in ((gaps < 20.0, False), ((gaps < 20.0) | (np.abs(gaps - 25.0) < 2.0), True)):
        search = StageSearch(stage, plan, 0.95)
        for burst, out in enumerate(lost):
            search.record(burst, [1, int(not out)])
        assert ("rises and falls again" in search.answer().sentence) == told
        assert ("leave out precision_ms" in search.answer().sentence) == told


@pytest.mark.parametrize(("caught", "bound"), [(1, "at most 8"), (0, "at least 32")])
def test_a_map_is_bounded_by_the_gaps_struck(caught: int, bound: str) -> None:
    """All seconds caught, or none: no gap beyond those struck is told."""
    search = StageSearch(STAGE, plan_rows(), 0.95)
    while (burst := search.next_burst()) is not None:
        search.record(burst, [1, caught])
    sentence = search.answer().sentence
    for level in ("-12 dB", "+0 dB"):
        said = sentence.split(f"{level}: ")[1].split(" ms")[0]
        assert said.startswith(bound.rsplit(" ", 1)[0]), sentence
        end, struck = float(said.rsplit(" ", 1)[1]), float(bound.rsplit(" ", 1)[1])
        assert abs(end - struck) <= STAGE.precision_ms
        assert 8.0 <= end <= 32.0
