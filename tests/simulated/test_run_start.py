"""What keeps a run from beginning: files, plan, interlocks, an earlier trip, a folder that exists."""

from __future__ import annotations

from pathlib import Path

import pytest
from bench_runs import SHORT, files, run_short

from rig.faults import RefusedError, TrippedError
from rig.preparation import prepare
from rig.record.bench_fault import BadFileError
from rig.record.plan import PlanError
from rig.record.record_error import RecordError
from rig.run_files import read_files


@pytest.mark.parametrize(
    ("query", "part"),
    [("estop_pressed=1", "e-stop"), ("guard_open=1", "guard"), ("supply_mv=0", "supply")],
)
def test_open_interlock_at_the_start_makes_no_run(tmp_path: Path, query: str, part: str) -> None:
    """Nothing is struck and no folder is made; the error names the interlock."""
    with pytest.raises(RefusedError, match=part):
        run_short(tmp_path / "run", query)
    assert list(tmp_path.iterdir()) == []


def test_existing_folder_is_left_alone(tmp_path: Path) -> None:
    """Runs are never overwritten."""
    (tmp_path / "run").mkdir()
    with pytest.raises(RecordError, match="never"):
        run_short(tmp_path / "run")
    assert list((tmp_path / "run").iterdir()) == []


def test_earlier_trip_takes_a_person(tmp_path: Path) -> None:
    """A board found tripped is reset only after someone has confirmed; unattended it is refused."""
    from rig.board import Board
    from rig.readiness import get_ready
    from rig.record.bench_file import BoardPort
    from rig.record.limits import limits_from_bench

    bench = files().bench
    board = Board.open(BoardPort(port="sim://board"))
    get_ready(board, limits_from_bench(bench), None)
    board.arm(1000)
    board.port.twin.set_input("reset", 0)  # type: ignore[attr-defined]
    again = Board.__new__(Board)
    again.__init__(board.port, board.clock, board._requester, board.trace)  # type: ignore[misc]
    with pytest.raises(TrippedError, match="reset while it was armed"):
        get_ready(again, limits_from_bench(bench), None)
    asked: list[str] = []
    get_ready(again, limits_from_bench(bench), asked.append)
    assert len(asked) == 1
    assert again.state.name == "READY"


def test_faults_of_all_three_files_come_at_once(tmp_path: Path) -> None:
    """A broken protocol, bench and specimen: one error with the faults of each."""
    for name in ("protocol", "bench", "specimen"):
        (tmp_path / f"{name}.toml").write_text("format = 9\n")
    with pytest.raises(BadFileError) as caught:
        read_files(*(tmp_path / f"{name}.toml" for name in ("protocol", "bench", "specimen")))
    for name in ("protocol", "bench", "specimen"):
        assert f"{name}.toml" in str(caught.value)


def test_plan_beyond_the_strikers_is_refused_before_hardware() -> None:
    """Too hard and too fast: told in preparation, all at once, with no port opened."""
    protocol = SHORT.replace("[3, 12]", "[3, 9000]").replace("[16, 20]", "[16, 200]")
    with pytest.raises(PlanError) as caught:
        prepare(files(protocol, "nonsense=1"))
    assert "singles" in str(caught.value)
    assert "rolls" in str(caught.value)
