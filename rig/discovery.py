"""Which port is the board's: by serial number, never by luck."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol

from serial.tools import list_ports

from rig.faults import PortError
from rig.record.bench_file import BoardPort


class PortInfo(Protocol):
    """What is known of a port without opening it (pyserial's ``ListPortInfo``)."""

    device: str
    description: str
    serial_number: str | None


def find_port(board_port: BoardPort, ports: Iterable[PortInfo] | None = None) -> str:
    """Device or URL of the board.

    Parameters
    ----------
    board_port
        From the bench file. ``serial_number`` counts if it is given, else ``port`` as it stands.
    ports
        Ports to choose from; None asks the system.

    Raises
    ------
    PortError
        No port, or several, with that serial number; the text lists those that are there.
    """
    if not board_port.serial_number:
        return board_port.port
    candidates = list(list_ports.comports() if ports is None else ports)
    fitting = [port for port in candidates if port.serial_number == board_port.serial_number]
    if len(fitting) == 1:
        return fitting[0].device
    listed = fitting if fitting else candidates
    raise PortError(
        "host.board_not_found",
        f"Looking for the board with serial number {board_port.serial_number}",
        f"{len(fitting)} ports have it; "
        + ("they are: " if fitting else "there are: ")
        + ("; ".join(_described(port) for port in listed) or "no serial ports at all"),
    )


def _described(port: PortInfo) -> str:
    return f"{port.device} ({port.description}, serial number {port.serial_number or 'none'})"
