"""Boards for the tests: the core on this machine, and the real image on an emulated controller."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

import builds
from board_process import BoardProcess


@pytest.fixture(scope="session")
def host_program(request: pytest.FixtureRequest) -> Path:
    """The core built for this machine."""
    return builds.shared(request, builds.host_build)


@pytest.fixture(scope="session")
def avr_command(request: pytest.FixtureRequest) -> list[str]:
    """Harness and image of the emulated controller."""
    return builds.shared(request, builds.emulator_build)


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


@contextmanager
def running_freely(command: list[str]) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """A board in a process; the name of its pseudo-terminal."""
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            name = next(text.split()[1] for text in process.stdout if text.startswith("pty "))
            yield name, process
        finally:
            process.stdin.close()
            process.terminate()


@pytest.fixture(params=["host", "avr"])
def freely(
    request: pytest.FixtureRequest, host_program: Path
) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """The firmware's core, and its image on the emulated controller, in real time."""
    if request.param == "host":
        command = [str(host_program), "--free"]
    else:
        harness, image = request.getfixturevalue("avr_command")
        command = [harness, "--free", image]
    with running_freely(command) as running:
        yield running
