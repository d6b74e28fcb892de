"""Notes as the computer hears them, each stamped when it comes."""

from __future__ import annotations

import collections
import contextlib
import importlib
import time
from typing import Any

from rig.capture.devices import MidiInput, find_midi_input, hushed, open_midi
from rig.capture.late_import import load_rtmidi
from rig.record.bench_fault import BenchError

MOST_WAITING = 100_000
"""Messages kept for a reader that does not come; a DIN line needs half a minute for so many."""
_LOOK_S = 1.0
_SETTLE_S = 0.1
_LENGTHS = {0x8: 3, 0x9: 3, 0xA: 3, 0xB: 3, 0xC: 2, 0xD: 2, 0xE: 3}


class PortMidi:
    """A MIDI port of this computer; a ``MidiSource``.

    Clock and active-sensing messages are left out by the library; all else is given as it came.

    Parameters
    ----------
    name
        Exact name of the port.

    Attributes
    ----------
    lost
        Messages for which there was no room.
    malformed
        Messages that no MIDI sender may send; they are given too.

    Raises
    ------
    BenchError
        The port is not there, or several have this name.
    """

    def __init__(self, name: str) -> None:
        self.port: MidiInput = find_midi_input(name)
        self.lost = 0
        self.malformed = 0
        self._waiting: collections.deque[tuple[float, bytes]] = collections.deque()
        self._rtmidi = load_rtmidi()
        self._input = open_midi(self._rtmidi, self.port.api)
        self._seen_s = time.monotonic()
        self._watch = open_midi(self._rtmidi, self.port.api)
        if self._input is None or self._watch is None:
            raise BenchError(f"opening the MIDI port {self.port}: the MIDI system is gone")
        self._input.ignore_types(sysex=False, timing=True, active_sense=True)
        self._input.set_callback(self._came)
        self._input.open_port(self._watch.get_ports().index(name), "in")

    def _came(self, event: tuple[list[int], float], _data: Any = None) -> None:
        now_s = time.monotonic()
        if len(self._waiting) >= MOST_WAITING:
            self.lost += 1
            return
        message = bytes(event[0])
        if not well_formed(message):
            self.malformed += 1
        self._waiting.append((now_s, message))

    def read(self) -> list[tuple[float, bytes]]:
        """Give (host time in seconds, bytes of one message) since the last call.

        Raises
        ------
        BenchError
            The port has been unplugged; all that came before has been given.
        """
        messages = [self._waiting.popleft() for _ in range(len(self._waiting))]
        if messages or self._input is None:
            return messages
        now_s = time.monotonic()
        if now_s - self._seen_s > _LOOK_S:
            self._seen_s = now_s
            with hushed():
                there = self.port.name in self._watch.get_ports()
            if not there:
                raise BenchError(
                    f"hearing the MIDI port {self.port}: it is gone; look at its plug and power, "
                    "then start again"
                )
        return messages

    def close(self) -> None:
        """Let go of the port.

        With JACK, closing while messages come can hang or crash the library: its source is
        disconnected first. Where that can't be done, the port stays until the program ends.
        """
        port, self._input = self._input, None
        if port is None:
            return
        if self.port.api == self._rtmidi.API_UNIX_JACK and not _disconnect_jack(self.port.name):
            _LEFT_BEHIND.append((port, self._watch))
            return
        time.sleep(_SETTLE_S)
        port.cancel_callback()
        port.close_port()
        port.delete()
        self._watch.delete()


_LEFT_BEHIND: list[Any] = []


def _disconnect_jack(source: str) -> bool:
    """Disconnect a JACK source from this program's inputs; False without the package JACK-Client.

    A source that is gone has taken its connections with it.
    """
    try:
        jack = importlib.import_module("jack")
        client = jack.Client("strikebench-unplug", no_start_server=True)
    except Exception:
        return False
    with client, contextlib.suppress(jack.JackError):
        for taker in client.get_all_connections(source):
            if taker.name.startswith("strikebench"):
                client.disconnect(source, taker)
    return True


def well_formed(message: bytes) -> bool:
    """Whether bytes are one whole MIDI message: MIDI 1.0, summary of messages."""
    if not message or message[0] < 0x80:
        return False
    if message[0] == 0xF0:
        return message[-1] == 0xF7 and all(byte < 0x80 for byte in message[1:-1])
    if any(byte >= 0x80 for byte in message[1:]):
        return False
    length = _LENGTHS.get(message[0] >> 4)
    if length is None:
        length = {0xF1: 2, 0xF2: 3, 0xF3: 2}.get(message[0], 1)
    return len(message) == length
