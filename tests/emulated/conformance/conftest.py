"""The ``target`` of each conformance test: every board in turn."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from board_process import BoardProcess
from targets import LockstepTarget, Target, TwinTarget


def _twin(_: pytest.FixtureRequest) -> Target:
    return TwinTarget()


def _host(request: pytest.FixtureRequest) -> Target:
    return LockstepTarget(BoardProcess([str(request.getfixturevalue("host_program"))]))


def _avr(request: pytest.FixtureRequest) -> Target:
    return LockstepTarget(BoardProcess(request.getfixturevalue("avr_command")))


MAKERS = {"twin": _twin, "host": _host, "avr": _avr}


@pytest.fixture(params=list(MAKERS))
def target(request: pytest.FixtureRequest) -> Iterator[Target]:
    """A board just powered up: the simulated one, the firmware's core, the emulated controller."""
    board = MAKERS[request.param](request)
    yield board
    board.close()
