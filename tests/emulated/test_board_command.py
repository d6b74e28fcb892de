"""``strikebench board`` against boards that run freely behind a pseudo-terminal."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import builds
import pytest
from typer.testing import CliRunner

from rig.cli.board import FirmwareError, app, serial_image


@contextmanager
def running(command: list[str]) -> Iterator[str]:
    """A board that runs freely; its device."""
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        word, device = process.stdout.readline().split()
        assert word == "pty"
        yield device
        process.terminate()


@pytest.fixture(params=["host", "avr"])
def free_board(request: pytest.FixtureRequest) -> Iterator[str]:
    """Device of a free-running board: the core on this machine, or the emulated controller."""
    if request.param == "host":
        command = [str(request.getfixturevalue("host_program")), "--free"]
    else:
        harness, image = request.getfixturevalue("avr_command")
        command = [harness, "--free", image]
    with running(command) as device:
        yield device


def test_identity_of_a_running_board(free_board: str) -> None:
    """The command opens the port, greets the firmware and tells its limits and state."""
    done = CliRunner().invoke(app, ["identity", "--port", free_board])
    assert done.exit_code == 0, done.output
    assert "firmware: 0.1.0" in done.output
    assert "longest pulse: 30 ms" in done.output
    assert "state: safe, trip none" in done.output


@pytest.mark.parametrize("serial", ["A", "BENCH-07", ""])
def test_a_named_board_tells_its_serial(
    avr_command: list[str], tmp_path: Path, serial: str
) -> None:
    """What `board name` writes to the EEPROM the board tells; a board never named is all zeros."""
    images = [str(serial_image(serial, tmp_path))] if serial else []
    harness, image = avr_command
    with running([harness, "--free", image, *images]) as device:
        done = CliRunner().invoke(app, ["identity", "--port", device])
    assert done.exit_code == 0, done.output
    assert f"serial number: {serial or '00000000'}\n" in done.output


@pytest.mark.parametrize("serial", ["", "NINE-LONG", "A B", "Ä", "tab\t"])
def test_a_serial_that_does_not_fit_is_refused(tmp_path: Path, serial: str) -> None:
    """More than eight characters, spaces and what is no ASCII are refused before anything is sent."""
    with pytest.raises(FirmwareError, match="1 to 8"):
        serial_image(serial, tmp_path)


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


@pytest.mark.parametrize("command", ["flash", "identity", "name"])
@pytest.mark.parametrize("arguments", [[], ["--port", "/dev/no-such-port"]])
def test_no_board_is_told(command: str, arguments: list[str]) -> None:
    """Without a port, or with one that isn't there, a sentence says what to do."""
    if command != "identity":
        builds.need("avrdude")
    named = ["BENCH-07"] if command == "name" else []
    done = CliRunner().invoke(app, [command, *named, *arguments])
    assert isinstance(done.exception, FirmwareError)
    assert "strikebench devices" in str(done.exception)
