"""The pytest plugin: one test per limit of a protocol.

``pytest protocols/firmware_check.toml --bench BENCH --specimen SPECIMEN`` runs the protocol on the
bench (in a process of its own) and judges the record; ``--record RUN`` judges a run folder that is
there. A limit that is undecided, invalid or incomplete is a failed test: only "pass" passes.

Nothing heavy is imported until a protocol is collected, for the plugin is loaded in every pytest
session of the environment.
"""

from __future__ import annotations

import base64
import os
import subprocess
import sys
import tempfile
from collections.abc import Generator, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from analysis.decide import Decision
    from analysis.pipeline import Analysis

_ANALYSIS = pytest.StashKey["dict[Path, Analysis | str]"]()


class LimitNotMetError(Exception):
    """A limit whose verdict is anything but "pass"."""


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the options that say what to strike, or which record to read again."""
    group = parser.getgroup("strikebench", "judging pads and modules by a protocol")
    group.addoption("--bench", metavar="FILE", help="bench file: run the protocol on this bench")
    group.addoption("--specimen", metavar="FILE", help="specimen file: what is under test")
    group.addoption("--record", metavar="RUN", help="judge this run folder instead of striking")
    group.addoption("--record-to", metavar="FOLDER", help="where a new run folder is made")


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> pytest.Collector | None:
    """Collect a protocol file that was named on the command line."""
    config = parent.config
    if file_path.suffix != ".toml":
        return None
    named = {Path(str(arg).split("::")[0]).resolve() for arg in config.args}
    if file_path.resolve() not in named:
        return None
    asked = config.option.bench or config.option.record
    if not asked and b"[[stage]]" not in file_path.read_bytes():
        return None  # another plugin's
    return ProtocolFile.from_parent(parent, path=file_path)


class ProtocolFile(pytest.File):
    """A protocol: its limits are the tests."""

    def collect(self) -> Iterator[pytest.Item]:
        """Yield a test for each limit; a protocol without limits is an error, not a pass."""
        from analysis.measure import UNITS
        from rig.record.bench_fault import BenchError
        from rig.record.loaders import load_protocol

        if not (self.config.option.bench or self.config.option.record):
            raise self.CollectError(
                f"{self.path.name}: nothing to judge. Name the bench and what is under test "
                "(--bench FILE --specimen FILE), or a run that was struck before (--record RUN)"
            )
        if hasattr(self.config, "workerinput") or getattr(self.config.option, "dist", "no") != "no":
            raise self.CollectError(
                "a bench can be driven by one process only: run the protocol with -n0, apart from "
                "tests that are spread over processors"
            )
        try:
            protocol = load_protocol(str(self.path))
        except BenchError as error:
            raise self.CollectError(str(error)) from error
        if not protocol.limits:
            raise self.CollectError(f"{self.path.name}: no [[limit]], so nothing can be judged")
        seen: dict[str, int] = {}
        for place, limit in enumerate(protocol.limits):
            unit = UNITS.get(limit.unit, limit.unit)
            name = f"{limit.measure} {limit.bound.replace('_', ' ')} {limit.value:g} {unit}".strip()
            if limit.stage:
                name = f"{limit.stage}: {name}"
            seen[name] = seen.get(name, 0) + 1
            if seen[name] > 1:
                name = f"{name} ({seen[name]})"
            yield LimitItem.from_parent(self, name=name, place=place)

    def analysis(self) -> Analysis:
        """Strike (once for all limits of the file) or read the record, and measure."""
        store = self.config.stash.setdefault(_ANALYSIS, {})
        if self.path not in store:
            try:
                store[self.path] = _analyse(self.path, self.config)
            except Exception as error:
                store[self.path] = ""
                raise LimitNotMetError(f"invalid: no record to judge. {error}") from error
        found = store[self.path]
        if isinstance(found, str):
            raise LimitNotMetError("invalid: no record to judge; the first of these tests says why")
        return found


def _analyse(protocol: Path, config: pytest.Config) -> Analysis:
    from analysis.pipeline import analyse_run
    from rig.record.bench_fault import BenchError
    from rig.record.toml_file import read_text

    if config.option.record:
        run = Path(config.option.record)
        result = analyse_run(run)
        if read_text(run / "protocol.toml") != read_text(protocol):
            raise BenchError(
                f"judging {run} by {protocol.name}: the run was struck by another protocol (its "
                "protocol.toml differs); judge it by its own, or strike again"
            )
        return result
    if not config.option.specimen:
        raise BenchError("--bench needs --specimen: the file that says what is under test")
    folder = Path(config.option.record_to or tempfile.mkdtemp(prefix="strikebench-"))
    run = folder / protocol.stem if folder.exists() else folder
    command = [sys.executable, "-m", "rig.cli.main", "run", str(protocol)]
    command += ["--bench", config.option.bench, "--specimen", config.option.specimen]
    command += ["--out", str(run), "--quiet"]
    told = subprocess.run(command, capture_output=True, text=True, check=False, env={**os.environ})
    if not (run / "start.json").exists():
        raise BenchError(f"the bench did not strike: {told.stderr.strip() or told.stdout.strip()}")
    return analyse_run(run)


class LimitItem(pytest.Item):
    """One limit of a protocol as a test."""

    def __init__(self, *, place: int, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.place = place
        self.decision: Decision | None = None

    def runtest(self) -> None:
        """Pass only where the verdict is "pass"."""
        assert isinstance(self.parent, ProtocolFile)
        try:
            analysis = self.parent.analysis()
        except LimitNotMetError:
            self.user_properties.append(("verdict", "invalid"))
            raise
        decision = analysis.decisions[self.place]
        self.decision = decision
        rule = analysis.protocol.decision_rule.replace("_", " ")
        if decision.limit.good is not None:
            rule = "sequential"
        self.user_properties += [
            ("verdict", decision.verdict),
            ("decision rule", rule),
            ("measured", analysis.describe(decision)),
            ("limit", analysis.describe_limit(decision.limit)),
            ("reason", decision.reason),
            ("run", str(analysis.path)),
        ]
        if decision.verdict != "pass":
            raise LimitNotMetError(f"{decision.verdict} by the {rule} rule: {decision.reason}")

    def repr_failure(
        self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None
    ) -> str | Any:
        """Say what was measured against what, without a traceback of this plugin."""
        if isinstance(excinfo.value, LimitNotMetError):
            return str(excinfo.value)
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, None, str]:
        """Name the limit."""
        return self.path, None, self.name


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: Any) -> Generator[None, Any, None]:
    """Lay the pictures of the measure into the page of pytest-html, where that is in use."""
    outcome = yield
    report = outcome.get_result()
    if not isinstance(item, LimitItem) or report.when != "call" or item.decision is None:
        return
    report.sections.append(("measured", "\n".join(f"{k}: {v}" for k, v in item.user_properties)))
    if not getattr(item.config.option, "htmlpath", None):
        return
    import pytest_html

    from analysis.report.pictures import picture_for

    assert isinstance(item.parent, ProtocolFile)
    png = picture_for(item.parent.analysis(), item.decision.limit)
    if png is not None:
        extra = pytest_html.extras.png(base64.b64encode(png).decode())
        report.extras = [*getattr(report, "extras", []), extra]
