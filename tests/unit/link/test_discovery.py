"""The board's port by its serial number; transport errors that say what to do."""

from __future__ import annotations

import dataclasses
import os
from pathlib import Path

import pytest

from rig.discovery import find_port
from rig.faults import PortError
from rig.link.transport import clock_of, open_port
from rig.record.bench_file import BoardPort


@dataclasses.dataclass
class Listed:
    """A port as the system lists it."""

    device: str
    description: str
    serial_number: str | None


PORTS = [
    Listed("/dev/ttyACM0", "some adapter", "A1"),
    Listed("/dev/ttyACM1", "controller", "B2"),
    Listed("/dev/ttyS0", "on board", None),
]


def test_port_is_found_by_serial_number() -> None:
    """The one port with that number, whatever its name is today."""
    assert find_port(BoardPort(serial_number="B2"), PORTS) == "/dev/ttyACM1"


def test_port_without_serial_number_is_taken_as_written() -> None:
    """Without a number the port or URL stands."""
    assert find_port(BoardPort(port="sim://bench"), PORTS) == "sim://bench"


@pytest.mark.parametrize("ports", [PORTS, []])
def test_no_such_board_lists_what_there_is(ports: list[Listed]) -> None:
    """None fits: the error lists every port that there is."""
    with pytest.raises(PortError, match="C3") as caught:
        find_port(BoardPort(serial_number="C3"), ports)
    for port in ports:
        assert port.device in str(caught.value)


def test_two_of_a_kind_are_not_chosen_between() -> None:
    """Several fit: none is taken, and those that fit are listed."""
    twins = [*PORTS, Listed("/dev/ttyACM7", "controller", "B2")]
    with pytest.raises(PortError, match="2 ports") as caught:
        find_port(BoardPort(serial_number="B2"), twins)
    assert "/dev/ttyACM1" in str(caught.value)
    assert "/dev/ttyACM7" in str(caught.value)
    assert "/dev/ttyS0" not in str(caught.value)


def test_missing_port_is_told(tmp_path: Path) -> None:
    """A device that is not there."""
    with pytest.raises(PortError) as caught:
        open_port(str(tmp_path / "nothing"))
    assert caught.value.code == "host.port_missing"


@pytest.mark.parametrize("url", ["nosuch://bench", "socket://127.0.0.1:notaport"])
def test_unusable_url_is_told(url: str) -> None:
    """A URL that no handler knows, or that is malformed."""
    with pytest.raises(PortError) as caught:
        open_port(url)
    assert caught.value.code == "host.port_unusable"


@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are a POSIX thing")
def test_port_in_use_is_told() -> None:
    """A device that is open already is busy, and the PC's clock goes with the first."""
    ours, theirs = os.openpty()
    name = os.ttyname(theirs)
    first = open_port(name)
    try:
        clock = clock_of(first)
        assert clock.monotonic_s() <= clock.monotonic_s()
        with pytest.raises(PortError) as caught:
            open_port(name)
        assert caught.value.code == "host.port_busy"
    finally:
        first.close()
        os.close(ours)
        os.close(theirs)
