"""How much of the core the tests on this machine reach."""

from __future__ import annotations

import json
from pathlib import Path

import builds

LEAST_PERCENT = 95


def test_core_is_covered(tmp_path: Path) -> None:
    """Conformance and core tests reach at least 95 % of the core's lines and branches."""
    builds.need("gcovr", "gcc", "make")
    done = builds.pytest_within(
        ["tests/emulated/conformance", "tests/emulated/test_core.py", "-k", "host or test_core"],
        STRIKEBENCH_HOST_BUILD=str(tmp_path),
        STRIKEBENCH_HOST_FLAGS="-O0 -g --coverage",
    )
    assert done.returncode == 0, done.stdout + done.stderr
    summary = tmp_path / "summary.json"
    where = ["--root", str(builds.FIRMWARE), "--filter", str(builds.FIRMWARE / "core")]
    builds.run(
        ["gcovr", *where, "--object-directory", str(tmp_path), "--json-summary", str(summary)],
        cwd=tmp_path,
    )
    reached = json.loads(summary.read_text())
    print(f"core: {reached['line_percent']} % of lines, {reached['branch_percent']} % of branches")
    assert reached["line_total"] > 500
    assert reached["line_percent"] >= LEAST_PERCENT
    assert reached["branch_percent"] >= LEAST_PERCENT
