"""``strikebench board`` against boards that run freely behind a pseudo-terminal."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from pathlib import Path

import builds
import pytest
from typer.testing import CliRunner

from rig.cli.board import FirmwareError, app


@pytest.fixture(params=["host", "avr"])
def free_board(request: pytest.FixtureRequest) -> Iterator[str]:
    """Device of a free-running board: the core on this machine, or the emulated controller."""
    if request.param == "host":
        command = [str(request.getfixturevalue("host_program")), "--free"]
    else:
        harness, image = request.getfixturevalue("avr_command")
        command = [harness, "--free", image]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        word, device = process.stdout.readline().split()
        assert word == "pty"
        yield device
        process.terminate()


def test_identity_of_a_running_board(free_board: str) -> None:
    """The command opens the port, greets the firmware and tells its limits and state."""
    done = CliRunner().invoke(app, ["identity", "--port", free_board])
    assert done.exit_code == 0, done.output
    assert "firmware: 0.1.0" in done.output
    assert "longest pulse: 30 ms" in done.output
    assert "state: safe, trip none" in done.output


def test_build_gives_an_image(tmp_path: Path) -> None:
    """The image is Intel hex, as made from the sources, and the memory taken is told."""
    builds.need("avr-gcc", "make")
    done = CliRunner().invoke(app, ["build", "--out", str(tmp_path / "out")])
    assert done.exit_code == 0, done.output
    image = (tmp_path / "out" / "strikebench.hex").read_text()
    assert image.startswith(":")
    assert image.rstrip().endswith(":00000001FF")
    assert "Program:" in done.output
    assert "Data:" in done.output


@pytest.mark.parametrize("command", ["flash", "identity"])
@pytest.mark.parametrize("arguments", [[], ["--port", "/dev/no-such-port"]])
def test_no_board_is_told(command: str, arguments: list[str]) -> None:
    """Without a port, or with one that isn't there, a sentence says what to do."""
    if command == "flash":
        builds.need("avrdude")
    done = CliRunner().invoke(app, [command, *arguments])
    assert isinstance(done.exception, FirmwareError)
    assert "strikebench devices" in str(done.exception)
