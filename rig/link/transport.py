"""The way to the board: any pyserial URL or device, and the clock that comes with it."""

from __future__ import annotations

import errno
import time
from collections.abc import Callable, Mapping
from typing import Protocol, cast
from urllib.parse import parse_qsl, urlencode, urlsplit, urlunsplit

import serial

from rig.faults import PortError

_HANDLER_PACKAGE = "rig.simulation"
_CODE_BY_ERRNO = {
    errno.ENOENT: "host.port_missing",
    errno.ENXIO: "host.port_missing",
    errno.ENODEV: "host.port_missing",
    errno.EACCES: "host.port_denied",
    errno.EPERM: "host.port_denied",
    errno.EBUSY: "host.port_busy",
    errno.EAGAIN: "host.port_busy",
}


class Port(Protocol):
    """What the host uses of a pyserial port."""

    timeout: float | None

    @property
    def in_waiting(self) -> int:
        """Bytes that have come."""

    def read(self, size: int = 1, /) -> bytes:
        """Read up to ``size`` bytes, waiting at most ``timeout`` seconds for them."""

    def write(self, data: bytes, /) -> int | None:
        """Send bytes."""

    def reset_input_buffer(self) -> None:
        """Forget the bytes that have come."""

    def close(self) -> None:
        """Close the port."""


class PortClock(Protocol):
    """The clock of a port: the PC's own, or the virtual one that a port brings."""

    def monotonic_s(self) -> float:
        """Seconds on a clock that never goes back."""

    def sleep_s(self, seconds: float) -> None:
        """Wait."""


class _PcClock:
    def monotonic_s(self) -> float:
        return time.monotonic()

    def sleep_s(self, seconds: float) -> None:
        time.sleep(seconds)


class _BroughtClock:
    def __init__(self, monotonic_s: Callable[[], float], sleep_s: Callable[[float], None]) -> None:
        self.monotonic_s = monotonic_s
        self.sleep_s = sleep_s


def clock_of(port: Port) -> PortClock:
    """Give the clock that ``port`` brings, or else the PC's monotonic one."""
    monotonic_s = getattr(port, "monotonic_s", None)
    sleep_s = getattr(port, "sleep_s", None)
    if monotonic_s is None or sleep_s is None:
        return _PcClock()
    return _BroughtClock(monotonic_s, sleep_s)


def open_port(url_or_device: str, baud: int = 1_000_000, exclusive: bool = True) -> Port:
    """Open a serial device or any URL that pyserial knows, ``sim://`` included.

    Parameters
    ----------
    url_or_device
        ``/dev/ttyACM0``, ``COM4``, ``sim://bench?seed=1``, ``socket://…``, ``spy://…``
    baud
        Bits a second; ignored by most URLs.
    exclusive
        Refuse to share the port with another program.

    Raises
    ------
    PortError
        Missing, busy, not permitted or unusable; the text says which and what to do.
    """
    if _HANDLER_PACKAGE not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append(_HANDLER_PACKAGE)
    attempted = f"Opening the board's port {url_or_device}"
    try:
        port = serial.serial_for_url(
            url_or_device, baudrate=baud, timeout=0.1, write_timeout=1.0, exclusive=exclusive
        )
    except serial.SerialException as error:
        raise PortError(_code(error), attempted, str(error)) from error
    except (ValueError, OSError) as error:
        raise PortError("host.port_unusable", attempted, str(error)) from error
    return cast(Port, port)


def _code(error: serial.SerialException) -> str:
    code = _CODE_BY_ERRNO.get(error.errno or 0)
    if code is None:
        text = str(error).lower()
        # pyserial gives no errno for a lock that another process holds, nor on Windows
        if "exclusively lock" in text or "access is denied" in text or "permissionerror" in text:
            code = "host.port_busy"
        elif "filenotfounderror" in text:
            code = "host.port_missing"
        else:
            code = "host.port_unusable"
    return code


def merge_query(url: str, extra: Mapping[str, str | float]) -> str:
    """Add ``extra`` to the query of a ``sim://`` URL; what the URL says itself stands.

    Any other port is given back as it is.
    """
    if not url.lower().startswith("sim://"):
        return url
    parts = urlsplit(url)
    pairs = parse_qsl(parts.query, keep_blank_values=True)
    said = {key for key, _ in pairs}
    pairs += [(key, str(value)) for key, value in extra.items() if key not in said]
    return urlunsplit(parts._replace(query=urlencode(pairs)))
