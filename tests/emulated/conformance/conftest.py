"""The ``target`` of each conformance test: every board in turn."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import builds
import pytest
from board_process import BoardProcess
from targets import LockstepTarget, Target, TwinTarget


@pytest.fixture(scope="session")
def programs(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], list[str]]:
    """Give the command of a firmware target, built on its first use."""
    built: dict[str, list[str]] = {}

    def command(name: str) -> list[str]:
        if name not in built:
            folder: Path = tmp_path_factory.mktemp(name)
            if name == "host":
                built[name] = [str(builds.host_build(folder))]
            else:
                built[name] = [str(builds.harness_build(folder)), str(builds.avr_build(folder))]
        return built[name]

    return command


def _twin(_: Callable[[str], list[str]]) -> Target:
    return TwinTarget()


def _host(programs: Callable[[str], list[str]]) -> Target:
    return LockstepTarget(BoardProcess(programs("host")))


def _avr(programs: Callable[[str], list[str]]) -> Target:
    return LockstepTarget(BoardProcess(programs("avr")))


MAKERS = {"twin": _twin, "host": _host, "avr": _avr}


@pytest.fixture(params=list(MAKERS))
def target(
    request: pytest.FixtureRequest, programs: Callable[[str], list[str]]
) -> Iterator[Target]:
    """A board just powered up: the simulated one, the firmware's core, the emulated controller."""
    board = MAKERS[request.param](programs)
    yield board
    board.close()
