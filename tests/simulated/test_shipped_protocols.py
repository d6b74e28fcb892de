"""Each protocol that comes with the program decides: the good builds pass, the bad one doesn't."""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.pipeline import analyse_run
from rig.preparation import prepare
from rig.record.loaders import load_protocol, load_specimen, shipped_names
from rig.run_files import read_files
from rig.runner import run

GOOD = ("good_build", "rubber_pad", "cymbal_pad")


def verdicts(protocol: str, specimen: str, folder: Path) -> tuple[str | None, dict[str, str]]:
    """Strike and judge: the verdict over all, and that of each limit with its reason."""
    result = run(prepare(read_files(protocol, "simulated", specimen)), folder)
    analysis = analyse_run(result.path)
    return analysis.overall, {d.reason: d.verdict for d in analysis.decisions}


@pytest.mark.long
@pytest.mark.parametrize("specimen", [*GOOD, "bad_build"])
@pytest.mark.parametrize("protocol", [name for name in shipped_names("") if name != "soak"])
def test_good_builds_pass_and_the_bad_one_fails(
    protocol: str, specimen: str, tmp_path: Path
) -> None:
    """On all three pads the good build meets every limit; the bad build fails, nothing is open."""
    overall, each = verdicts(protocol, specimen, tmp_path / "run")
    if specimen in GOOD:
        assert overall == "pass", each
    else:
        assert overall == "fail", each
        assert "undecided" not in each.values(), each


def test_the_bench_test_of_a_pad_decides(tmp_path: Path) -> None:
    """Rubber on a plate passes every limit of the pad's bench test."""
    overall, each = verdicts("pad_bench_test", "rubber_pad", tmp_path / "run")
    assert overall == "pass", each


def test_every_shipped_protocol_demands_a_number_of_strokes() -> None:
    """No limit of a shipped protocol can pass on a handful; counts in time need none."""
    for name in shipped_names(""):
        protocol = load_protocol(name)
        assert protocol.limits
        for limit in protocol.limits:
            if limit.measure not in ("stray_rate", "noise_floor"):
                assert limit.least_strokes >= 80, (name, limit.measure)


def test_every_shipped_specimen_is_one_that_the_bench_can_simulate() -> None:
    """The specimens that come with the program say what a simulated bench puts there."""
    names = shipped_names("specimens")
    assert set(names) == {*GOOD, "bad_build"}
    assert all(load_specimen(name).simulated is not None for name in names)
