"""The pytest plugin: limits as tests, and nothing but "pass" passes."""

from __future__ import annotations

import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest
from struck import EVERYTHING_SHORT, record

LIMITS = """
[[limit]]
measure = "latency_median"
at_most_ms = 20
[[limit]]
measure = "latency_median"
at_most_ms = 1
[[limit]]
measure = "lost_share"
at_most_percent = 0.1
[[limit]]
measure = "latency_p95"
at_most_ms = 30
least_strokes = 5000
"""


def judge(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Run pytest as a firmware pipeline does, without settings and plugins of this project's tests."""
    (folder / "pytest.ini").write_text("[pytest]\n", encoding="utf-8")
    command = [sys.executable, "-m", "pytest"]
    for plugin in ("randomly", "cacheprovider", "hypothesispytest", "xdist", "timeout"):
        command += ["-p", f"no:{plugin}"]
    return subprocess.run(
        [*command, "-rA", *words], cwd=folder, capture_output=True, text=True, check=False
    )


@pytest.fixture(scope="module")
def protocol(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A protocol whose four limits end in pass, fail, and twice undecided."""
    path = tmp_path_factory.mktemp("protocol") / "four.toml"
    path.write_text(EVERYTHING_SHORT + LIMITS, encoding="utf-8")
    return path


def test_one_test_per_limit_and_only_pass_passes(protocol: Path) -> None:
    """One line strikes, measures and judges: one limit passes, three don't; reports have it all."""
    folder = protocol.parent
    told = judge(
        folder, protocol.name, "--bench", "simulated", "--specimen", "good_build",
        "--record-to", "made", "--junitxml", "out.xml", "--html", "out.html",
        "--self-contained-html",
    )  # fmt: skip
    assert "1 passed, 3 failed" in told.stdout or "3 failed, 1 passed" in told.stdout
    assert told.returncode == 1
    assert "undecided by the guarded rule" in told.stdout
    cases = ElementTree.parse(folder / "out.xml").getroot().iter("testcase")
    found = {}
    for case in cases:
        properties = {p.get("name"): p.get("value") for p in case.iter("property")}
        assert {"verdict", "measured", "limit", "reason", "run"} <= set(properties)
        failed = case.find("failure") is not None
        assert failed == (properties["verdict"] != "pass")
        found[case.get("name")] = properties["verdict"]
    assert sorted(found.values()) == ["fail", "pass", "undecided", "undecided"]
    page = (folder / "out.html").read_text(encoding="utf-8")
    assert "data:image/png;base64," in page
    again = judge(folder, protocol.name, "--record", "made", "-q")
    assert "3 failed, 1 passed" in again.stdout


def test_a_record_of_another_protocol_is_not_judged(protocol: Path, tmp_path: Path) -> None:
    """A run that was struck by other rules gives failures that say so, never a pass."""
    other = EVERYTHING_SHORT.replace("repeats = 2", "repeats = 1")
    record(other, tmp_path / "run")
    (tmp_path / "four.toml").write_bytes(protocol.read_bytes())
    told = judge(tmp_path, "four.toml", "--record", "run")
    assert "another protocol" in told.stdout
    assert "4 failed" in told.stdout


def test_a_cut_run_passes_nothing(protocol: Path, tmp_path: Path) -> None:
    """Without a stop record every limit is incomplete, and so failed."""
    (tmp_path / "four.toml").write_bytes(protocol.read_bytes())
    record(protocol.read_text(encoding="utf-8"), tmp_path / "run")
    (tmp_path / "run" / "stop.json").unlink()
    told = judge(tmp_path, "four.toml", "--record", "run")
    assert "incomplete" in told.stdout
    assert "4 failed" in told.stdout


@pytest.mark.parametrize(
    ("words", "found"),
    [
        (("--bench", "no-such-bench", "--specimen", "good_build"), "no-such-bench"),
        (("--bench", "simulated"), "needs --specimen"),
        (("--record", "no-such-run"), "no-such-run"),
    ],
)
def test_a_bench_that_cannot_strike_fails_every_limit(
    protocol: Path, tmp_path: Path, words: tuple[str, ...], found: str
) -> None:
    """No record: every limit fails, and the reason is told once."""
    (tmp_path / "four.toml").write_bytes(protocol.read_bytes())
    told = judge(tmp_path, "four.toml", "-rN", "--junitxml", "out.xml", *words)
    assert told.stdout.count(found) == 1
    assert told.stdout.count("the first of these tests says why") == 3
    assert "4 failed" in told.stdout
    report = (tmp_path / "out.xml").read_text(encoding="utf-8")
    assert report.count('name="verdict" value="invalid"') == 4


def test_a_broken_protocol_is_an_error_of_collection(tmp_path: Path) -> None:
    """A fault of the file is told with its line, and nothing is struck."""
    (tmp_path / "bad.toml").write_text(
        EVERYTHING_SHORT + '[[limit]]\nmeasure = "latency_median"\nat_most = 3\n'
    )
    told = judge(tmp_path, "bad.toml", "--bench", "simulated", "--specimen", "good_build")
    assert told.returncode == 2
    assert "unit" in told.stdout


def test_no_limits_is_no_pass(tmp_path: Path) -> None:
    """A protocol that demands nothing can't pass."""
    (tmp_path / "none.toml").write_text(EVERYTHING_SHORT, encoding="utf-8")
    told = judge(tmp_path, "none.toml", "--bench", "simulated", "--specimen", "good_build")
    assert told.returncode == 2
    assert "nothing can be judged" in told.stdout


def test_a_protocol_without_a_bench_says_what_to_name(protocol: Path) -> None:
    """Neither bench nor record: an error that says which options to give."""
    told = judge(protocol.parent, protocol.name)
    assert told.returncode != 0
    assert "--bench FILE --specimen FILE" in told.stdout
    assert "--record RUN" in told.stdout
