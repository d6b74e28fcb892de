"""What all tests share: both processors, a bound on hangs, and no skip for a missing tool on CI."""

from __future__ import annotations

import os

# before the linear algebra is loaded; each of the processes that test has one processor
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ["MPLBACKEND"] = "Agg"

import pytest
from _pytest.terminal import TerminalReporter


@pytest.hookimpl(tryfirst=True)
def pytest_cmdline_main(config: pytest.Config) -> None:
    """Use both processors and bound each test, unless the command line says otherwise.

    These stand here rather than in ``pyproject.toml`` so that a protocol can be judged with
    ``pytest PROTOCOL.toml`` in the same checkout without the plugins that only tests need.
    """
    option = config.option
    inside_worker = "PYTEST_XDIST_WORKER" in os.environ
    if not inside_worker and getattr(option, "numprocesses", 0) is None and not option.usepdb:
        # as many as processors: tests over virtual devices run in real time, and starve beside more
        option.numprocesses = 2
        option.tx = ["2*popen"]
        option.dist = "worksteal"
    if not option.markexpr:
        option.markexpr = "not long and not hardware"
    if getattr(option, "timeout", None) is None:
        option.timeout = 300 if "not long" in option.markexpr else 14_400


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the longest, so that at the end no processor waits for one that began last."""
    items.sort(key=lambda item: item.get_closest_marker("early") is None)


class MissingTools:
    """On CI a test skipped because a package is missing is a fault of the set-up, not a pass."""

    def __init__(self) -> None:
        self.reasons: list[str] = []

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Keep the reason of each skip that names a package."""
        if report.skipped and "package" in str(report.longrepr):
            self.reasons.append(f"{report.nodeid}: {report.longrepr}")

    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        """Fail the session where anything was missing."""
        if self.reasons and os.environ.get("CI"):
            session.exitstatus = pytest.ExitCode.TESTS_FAILED

    def pytest_terminal_summary(self, terminalreporter: TerminalReporter) -> None:
        """Say what was missing."""
        if self.reasons and os.environ.get("CI"):
            terminalreporter.section("skipped on CI, where nothing may be missing", red=True)
            for reason in self.reasons:
                terminalreporter.write_line(reason)


def pytest_configure(config: pytest.Config) -> None:
    """Watch the skips where the reports of all processes arrive."""
    if "PYTEST_XDIST_WORKER" not in os.environ:
        config.pluginmanager.register(MissingTools())
