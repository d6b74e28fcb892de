"""Boards for the tests: the core on this machine, and the real image on an emulated controller."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

import builds
from board_process import BoardProcess


@pytest.fixture(scope="session")
def host_program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The core built for this machine."""
    return builds.host_build(tmp_path_factory.mktemp("host"))


@pytest.fixture(scope="session")
def avr_command(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """Harness and image of the emulated controller."""
    folder = tmp_path_factory.mktemp("avr")
    return [str(builds.harness_build(folder)), str(builds.avr_build(folder))]


@pytest.fixture
def host_board(host_program: Path) -> Iterator[BoardProcess]:
    """The core in lockstep, just powered up."""
    with BoardProcess([str(host_program)]) as board:
        yield board


@pytest.fixture
def avr_board(avr_command: list[str]) -> Iterator[BoardProcess]:
    """The emulated controller in lockstep, just powered up."""
    with BoardProcess(avr_command) as board:
        yield board
