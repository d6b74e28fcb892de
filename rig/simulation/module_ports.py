"""The module's main loop and its ports: what it sends, and when that arrives."""

from __future__ import annotations

import collections
import dataclasses
import heapq
import math
from collections.abc import Callable, Iterator

import numpy as np

from rig.simulation.module_figures import ModuleFigures, ModuleNote
from rig.simulation.noise import generator
from rig.simulation.wire import BYTE_S, DinWire, SentMessage, usb_arrival_s


class ModulePorts:
    """What leaves the module, asked for up to a time.

    Parameters
    ----------
    figures
        What the module does.
    seed
        Of the phase of its sound's buffers.
    rng
        For the main loop's phase and jitter, and the host's.

    Attributes
    ----------
    notes
        Sent so far.
    on_sent
        Told of each message, and of the note in it.
    """

    def __init__(self, figures: ModuleFigures, seed: int, rng: np.random.Generator) -> None:
        self._figures = f = figures
        self._rng = rng
        self._buffer_s = f.sound_buffer_frames / (f.sound_rate_hz * (1.0 + f.clock_ppm * 1e-6))
        self._buffer_phase_s = float(generator(seed, "module sound").uniform()) * self._buffer_s
        self._phase_s = float(rng.uniform(0.0, 1e-3)) * f.poll_period_ms
        # what waits to be sent: (ready, order, message, note without its wire times)
        self._waiting: list[tuple[float, int, bytes, ModuleNote | None]] = []
        self._order = 0
        self._wire = DinWire(f.running_status, 0x90 | (f.channel - 1) if f.status_sent else -1)
        self._din: collections.deque[tuple[float, int]] = collections.deque()
        self._host: list[tuple[float, bytes]] = []
        self.notes: list[ModuleNote] = []
        self.on_sent: Callable[[SentMessage, ModuleNote | None], None] | None = None
        if f.sensing_ms > 0.0:
            self.queue(self.poll_after(0.0), b"\xfe", None)

    def poll_after(self, t_s: float) -> float:
        """Next turn of the free-running main loop."""
        f = self._figures
        if f.poll_period_ms <= 0.0:
            return t_s
        period = f.poll_period_ms * 1e-3
        turn = self._phase_s + math.ceil((t_s - self._phase_s) / period) * period
        return turn + float(self._rng.uniform(0.0, 1e-3)) * f.poll_jitter_ms

    def _sound_after(self, ready_s: float) -> float:
        """Begin of the sound: one buffer is rendered while the one before it plays."""
        taken = math.floor((ready_s - self._buffer_phase_s) / self._buffer_s) + 1
        plays_s = self._buffer_phase_s + (taken + 1) * self._buffer_s
        return plays_s + self._figures.sound_converter_ms * 1e-3

    def queue(self, ready_s: float, message: bytes, note: ModuleNote | None) -> None:
        """Have a message sent at a time; ``note``: the one that it begins."""
        heapq.heappush(self._waiting, (ready_s, self._order, message, note))
        self._order += 1

    def queue_note(
        self,
        *,
        trigger_s: float,
        ready_s: float,
        number: int,
        velocity: int,
        strike: int,
        striker: str,
        reason: str,
    ) -> None:
        """Have a note sent at ``ready_s``, and its end later; the rest as in ``ModuleNote``."""
        f = self._figures
        status = 0x90 | (f.channel - 1)
        note = ModuleNote(
            trigger_s=trigger_s,
            ready_s=ready_s,
            start_s=math.nan,
            end_s=math.nan,
            host_s=usb_arrival_s(ready_s, float(self._rng.uniform(0.0, 1e-3)) * f.usb_spread_ms),
            sound_s=self._sound_after(ready_s),
            note=number,
            velocity=velocity,
            strike=strike,
            striker=striker,
            reason=reason,
        )
        self.queue(ready_s, bytes([status, number, velocity]), note)
        off = (
            bytes([status, number, 0]) if f.zero_velocity_off else bytes([status - 16, number, 64])
        )
        self.queue(ready_s + f.note_hold_ms * 1e-3, off, None)

    def advance(self, until_s: float) -> None:
        """Send what has become ready by a time."""
        f = self._figures
        while self._waiting and self._waiting[0][0] <= until_s:
            ready_s, _, message, note = heapq.heappop(self._waiting)
            sent = self._wire.send(message, ready_s)
            for place, byte in enumerate(sent.wire_bytes):
                self._din.append((sent.start_s + place * BYTE_S, byte))
            if note is not None:
                note = dataclasses.replace(note, start_s=sent.start_s, end_s=sent.end_s)
                self.notes.append(note)
            if self.on_sent is not None:
                self.on_sent(sent, note)
            host_s = note.host_s if note is not None else usb_arrival_s(ready_s, 0.0)
            self._host.append((host_s, message))
            if message == b"\xfe":
                self.queue(ready_s + f.sensing_ms * 1e-3, message, None)

    def take_din(self, until_s: float) -> Iterator[tuple[float, int]]:
        """Bytes whose stop bit has ended by a time: (start bit, byte), once each."""
        while self._din and self._din[0][0] + BYTE_S <= until_s:
            yield self._din.popleft()

    def take_host(self, until_s: float) -> list[tuple[float, bytes]]:
        """Messages that a host on the USB port has by a time, once each, in order."""
        come = sorted((m for m in self._host if m[0] <= until_s), key=lambda m: m[0])
        self._host = [m for m in self._host if m[0] > until_s]
        return come

    def forget_host(self, before_s: float) -> None:
        """Drop messages that no host has taken by now."""
        self._host = [m for m in self._host if m[0] >= before_s]
