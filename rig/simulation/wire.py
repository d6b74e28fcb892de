"""The module's ways out: messages, the DIN wire with its byte times, and a USB port."""

from __future__ import annotations

import dataclasses
import math

BAUD = 31_250
BIT_S = 1.0 / BAUD
BYTE_S = 10 * BIT_S
"""One start bit, eight data bits, one stop bit: 320 µs (MIDI 1.0; IEC 63035:2017, 4.1)."""

USB_FRAME_S = 1e-3
"""Full-speed frame of USB 2.0."""


@dataclasses.dataclass(frozen=True)
class SentMessage:
    """One message on the DIN wire: bytes as sent (the status may be left out), with its times."""

    message: bytes
    wire_bytes: bytes
    start_s: float

    @property
    def end_s(self) -> float:
        """End of the last byte's stop bit."""
        return self.start_s + len(self.wire_bytes) * BYTE_S


class DinWire:
    """A DIN port: one byte after the other, first come, first sent.

    Parameters
    ----------
    running_status
        A status byte equal to the last one is left out (MIDI 1.0).
    status
        The last one, of a message sent before; -1: none was.
    """

    def __init__(self, running_status: bool, status: int = -1) -> None:
        self._running_status = running_status
        self._status = status
        self._free_s = -math.inf

    def send(self, message: bytes, ready_s: float) -> SentMessage:
        """Queue a whole message that is ready at a time not before the last one's."""
        status = message[0]
        wire_bytes = message
        if status < 0xF8:  # real-time messages leave the running status alone
            if self._running_status and status == self._status:
                wire_bytes = message[1:]
            self._status = status if status < 0xF0 else -1
        sent = SentMessage(message, wire_bytes, max(ready_s, self._free_s))
        self._free_s = sent.end_s
        return sent


def usb_arrival_s(ready_s: float, host_delay_s: float) -> float:
    """When a host sees a message: at the next 1 ms frame, and after its own delay."""
    return (math.floor(ready_s / USB_FRAME_S) + 1) * USB_FRAME_S + host_delay_s


def line_edges(start_s: float, byte: int) -> list[tuple[float, int]]:
    """Edges of one byte on an idle-high line: (time, +1 or -1), the start bit's fall first."""
    bits = [0, *((byte >> k) & 1 for k in range(8)), 1]
    edges, level = [], 1
    for place, bit in enumerate(bits):
        if bit != level:
            edges.append((start_s + place * BIT_S, bit - level))
            level = bit
    return edges
