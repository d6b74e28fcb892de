"""``strikebench board``: build the firmware, write it, name the board, ask who it is."""

from __future__ import annotations

import importlib.resources
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Annotated

import typer

from rig.board import Board
from rig.cli.console import results, told
from rig.discovery import find_port
from rig.record.bench_fault import BenchError
from rig.record.bench_file import BoardPort
from rig.record.limits import TICKS_PER_US

app = typer.Typer(no_args_is_help=True, help="The controller board's firmware and identity.")

_PACKAGES = {
    "make": "make",
    "avr-gcc": "gcc-avr avr-libc",
    "avr-size": "binutils-avr",
    "avrdude": "avrdude",
}
"""Tools, and the Debian packages that bring them."""

_RESETS = {0: "power-on", 1: "external", 2: "brown-out", 3: "watchdog"}

PortOption = Annotated[str, typer.Option("--port", help="Serial port or URL of the board.")]
SerialOption = Annotated[
    str, typer.Option("--serial-number", help="USB serial number of the board, instead of a port.")
]


class FirmwareError(BenchError):
    """The firmware can't be built or written; the text is for a person."""


def _need(*tools: str) -> None:
    missing = [tool for tool in tools if shutil.which(tool) is None]
    if missing:
        packages = " ".join(_PACKAGES[tool] for tool in missing)
        raise FirmwareError(
            f"Looking for {', '.join(missing)}: not found on this machine. "
            f"On Debian: apt-get install {packages}."
        )


def _run(attempted: str, command: list[str]) -> str:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        said = (done.stdout + done.stderr).strip() or "it said nothing"
        raise FirmwareError(f"{attempted}: {command[0]} ended with code {done.returncode}:\n{said}")
    return done.stdout + done.stderr


def _avrdude(attempted: str, device: str, programmer: str, memory: str) -> str:
    baud = ["-b", "115200"] if programmer == "wiring" else []
    options = ["-p", "m2560", "-c", programmer, "-P", device, *baud, "-D", "-U", memory]
    return _run(attempted, ["avrdude", *options])


def build_image(folder: Path) -> tuple[Path, str]:
    """Build the firmware of this version.

    Parameters
    ----------
    folder
        Where to put what is built; made if it isn't there.

    Returns
    -------
    tuple
        The Intel hex image, and what the tools say of flash and RAM (bytes).

    Raises
    ------
    FirmwareError
        A tool is missing, or the build fails.
    """
    _need("make", "avr-gcc", "avr-size")
    with importlib.resources.as_file(importlib.resources.files("rig") / "firmware") as source:
        said = _run(
            "Building the firmware",
            [
                *("make", "-s", "-f", str(source / "Makefile"), "avr"),
                *(f"BUILD={folder.resolve()}", f"PYTHON={sys.executable}"),
            ],
        )
    return folder / "strikebench.hex", said


@app.command()
def build(
    out: Annotated[Path, typer.Option(help="Folder for what is built.")] = Path("firmware-build"),
) -> None:
    """Build the firmware and tell what flash and RAM it takes."""
    image, said = build_image(out)
    results.print(said.strip())
    results.print(f"{image}")


@app.command()
def flash(
    port: PortOption = "",
    serial_number: SerialOption = "",
    image: Annotated[
        Path | None, typer.Option(help="Image to write; built afresh if not given.")
    ] = None,
    programmer: Annotated[
        str, typer.Option(help="avrdude's programmer; the boot loader of common boards is wiring.")
    ] = "wiring",
) -> None:
    """Write the firmware to the board, coil supply off."""
    _need("avrdude")
    device = _device(port, serial_number)
    told.print("Switch the coil supply off first: while it is written the board watches nothing.")
    with tempfile.TemporaryDirectory() as folder:
        if image is None:
            image, said = build_image(Path(folder))
            results.print(said.strip())
        elif not image.is_file():
            raise FirmwareError(f"Writing {image}: no such file. Leave --image out to build it.")
        said = _avrdude(
            f"Writing the firmware to {device}", device, programmer, f"flash:w:{image}:i"
        )
    results.print(said.strip().splitlines()[-1] if said.strip() else "written")


SERIAL_LETTERS = 8


def serial_image(serial: str, folder: Path) -> Path:
    """Write the EEPROM image (Intel hex) that gives a board its serial number.

    Parameters
    ----------
    serial
        1 to 8 printable ASCII characters without spaces.
    folder
        Where to put ``serial.eep``.

    Raises
    ------
    FirmwareError
        Another serial number than these.
    """
    if not 1 <= len(serial) <= SERIAL_LETTERS or not all("!" <= letter <= "~" for letter in serial):
        raise FirmwareError(
            f"Naming the board {serial!r}: 1 to {SERIAL_LETTERS} letters, digits or signs of ASCII "
            "are allowed, no spaces. Give a shorter or plainer one."
        )
    content = serial.ljust(SERIAL_LETTERS).encode("ascii")
    record = bytes([len(content), 0, 0, 0]) + content
    path = folder / "serial.eep"
    path.write_text(f":{record.hex().upper()}{-sum(record) & 0xFF:02X}\n:00000001FF\n", "ascii")
    return path


@app.command()
def name(
    serial: Annotated[str, typer.Argument(help="Serial number, up to 8 characters.")],
    port: PortOption = "",
    serial_number: SerialOption = "",
    programmer: Annotated[str, typer.Option(help="avrdude's programmer.")] = "wiring",
) -> None:
    """Write the board's own serial number, coil supply off.

    Every run records it.
    """
    _need("avrdude")
    device = _device(port, serial_number)
    with tempfile.TemporaryDirectory() as folder:
        image = serial_image(serial, Path(folder))
        _avrdude(f"Naming the board at {device}", device, programmer, f"eeprom:w:{image}:i")
    results.print(f"serial number {serial} written")


@app.command()
def identity(port: PortOption = "", serial_number: SerialOption = "") -> None:
    """Tell the board's firmware, number, limits and state.

    What caused its last reset, too.
    """
    _device(port, serial_number)
    board = Board.open(BoardPort(port=port, serial_number=serial_number))
    try:
        found, standing = board.identity, board.status()
    finally:
        board.close()
    causes = [name for bit, name in _RESETS.items() if found.reset_cause & 1 << bit]
    lines = {
        "firmware": found.firmware,
        "serial number": found.serial,
        "message table": f"version {found.table_version}, hash {found.table_hash:04x}",
        "coils": found.coil_count,
        "longest pulse": f"{found.hard_longest_pulse_ticks / TICKS_PER_US / 1000:g} ms",
        "least gap": f"{found.hard_least_gap_ticks / TICKS_PER_US / 1000:g} ms",
        "last reset": ", ".join(causes) or "unknown (a boot loader hides it)",
        "state": f"{standing.state.name.lower()}, trip {standing.trip.name.lower()}",
        "coil supply": f"{standing.supply_mv / 1000:.1f} V",
    }
    for name, value in lines.items():
        results.print(f"{name}: {value}")


def _device(port: str, serial_number: str) -> str:
    if not port and not serial_number:
        raise FirmwareError(
            "Looking for the board: neither --port nor --serial-number is given. "
            "Give one; `strikebench devices` lists what is plugged in."
        )
    device = find_port(BoardPort(port=port, serial_number=serial_number))
    if "://" not in device and os.name == "posix" and not Path(device).exists():
        raise FirmwareError(
            f"Opening {device}: there is no such port. `strikebench devices` lists those there are."
        )
    return device
