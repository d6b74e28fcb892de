"""What all tests share: both processors, a bound on hangs, and no skip for a missing tool on CI."""

from __future__ import annotations

import os

import matplotlib
import pytest

matplotlib.use("Agg")


@pytest.hookimpl(tryfirst=True)
def pytest_cmdline_main(config: pytest.Config) -> None:
    """Use both processors and bound each test, unless the command line says otherwise.

    These stand here rather than in ``pyproject.toml`` so that a protocol can be judged with
    ``pytest PROTOCOL.toml`` in the same checkout without the plugins that only tests need.
    """
    option = config.option
    inside_worker = "PYTEST_XDIST_WORKER" in os.environ
    if not inside_worker and getattr(option, "numprocesses", 0) is None and not option.usepdb:
        option.numprocesses = 2
        option.tx = ["2*popen"]
        option.dist = "worksteal"
    if getattr(option, "timeout", None) is None:
        option.timeout = 300
    if not option.markexpr:
        option.markexpr = "not long and not hardware"


def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]) -> None:
    """On CI a test that skips because a tool is missing is a failure of the set-up: say so."""
    if os.environ.get("CI") and call.excinfo and call.excinfo.errisinstance(pytest.skip.Exception):
        reason = str(call.excinfo.value)
        if "package" in reason:
            call.excinfo = pytest.ExceptionInfo.from_exception(
                AssertionError(f"skipped on CI, where nothing may be missing: {reason}")
            )
