"""``sim://bench?…`` and ``sim://board?…``: a serial port with a bench behind it, in virtual time.

pyserial finds this module by its name once ``rig.simulation`` is among its handler packages. No
call ever really waits: a read that would block jumps to the next thing that happens. ``bench`` is
the whole simulated bench; ``board`` the board alone.
"""

from __future__ import annotations

import collections
import math
import os
from collections.abc import Sequence
from typing import Any
from urllib.parse import parse_qsl, urlsplit

import numpy as np
from serial.serialutil import PortNotOpenError, SerialBase, SerialException

from rig.capture.audio_block import AudioSource
from rig.record.bench_fault import BenchError
from rig.simulation.board_answers import BoardAnswers
from rig.simulation.board_options import BOARD_KEYS, BoardOptions, check_keys, number, read_options
from rig.simulation.board_twin import BoardTwin
from rig.simulation.empty_world import EmptyWorld
from rig.simulation.presets import SETTINGS
from rig.simulation.world import World
from rig.simulation.world_options import WORLD_KEYS, read_world

_BITS_PER_BYTE = 10
_ANSWER_S = 150e-6
"""Time from a request's last byte to the reply's first: a turn of the board's loop."""
_LONGEST_WAIT_S = 3600.0
"""A read without time-out gives up after so long; nothing would ever come."""


class Serial(SerialBase):
    """The port. Besides pyserial's own methods it brings its clock and the inputs of the bench."""

    def open(self) -> None:
        """Set the bench up and power the board.

        Raises
        ------
        BenchError
            A key or name of the URL that is not known, with the nearest one.
        """
        if self.is_open:
            raise SerialException("the port is open already")
        place, query = _split(str(self.port))
        self._options = read_options(query)
        seed = int(number(query, "seed")) if "seed" in query else 1
        self._rng = np.random.default_rng([seed, 0x5E71A1])
        self._bench = _make_bench(query, self._options) if place == "bench" else None
        self.world = EmptyWorld() if self._bench is None else self._bench
        self.twin = BoardTwin(
            self.world,
            ppm=self._options.board_ppm,
            start_s=self._options.board_start_s,
            inputs=self._options.inputs,
            script=list(self._options.script),
            rng=self._rng,
        )
        for coil in self.twin.queue.coils:
            coil.heat_ticks = int(self._options.heat_ticks)
        self._answers = BoardAnswers(self.twin)
        self._now_s = 0.0
        self._powered = True
        self._to_board: collections.deque[tuple[float, bytes]] = collections.deque()
        self._to_host: collections.deque[tuple[float, bytes]] = collections.deque()
        self._line_free_s = [0.0, 0.0]
        self._received = bytearray()
        self.is_open = True

    def close(self) -> None:
        """Close the port; the bench is gone with it."""
        self.is_open = False

    def _reconfigure_port(self) -> None:
        """Nothing to set: the baud rate only counts when bytes are timed."""

    # what a port brings

    def monotonic_s(self) -> float:
        """Virtual seconds since the port was opened."""
        return self._now_s

    def sleep_s(self, seconds: float) -> None:
        """Let virtual time pass."""
        self._go(self._now_s + max(0.0, seconds))

    def audio_source(self, sample_rate_hz: int, roles: Sequence[str]) -> AudioSource:
        """Inputs that come with the bench; a read gives what is complete by now."""
        if self._bench is None:
            raise BenchError("sim://board has no audio inputs; use sim://bench")
        return self._bench.audio_source(sample_rate_hz, roles, bring_up=self._bring_up)

    def midi_source(self) -> SimulatedMidi | None:
        """The module's USB port, as the host sees it."""
        return None if self._bench is None else SimulatedMidi(self, self._bench)

    def run_closed(self, run_path: str | os.PathLike[str]) -> None:
        """Write the truth of the run beside its folder."""
        if self._bench is not None:
            self._bench.write_truth(run_path)

    # pyserial's own

    @property
    def in_waiting(self) -> int:
        """Bytes that have come by now."""
        self._check()
        return len(self._received)

    def read(self, size: int = 1) -> bytes:
        """Read ``size`` bytes, or what has come by the time-out."""
        self._check()
        limit_s = self._now_s + (_LONGEST_WAIT_S if self.timeout is None else self.timeout)
        while len(self._received) < size:
            next_s = min(
                self._to_board[0][0] if self._to_board else math.inf,
                self._to_host[0][0] if self._to_host else math.inf,
            )
            self._go(min(next_s, limit_s))
            self._check()
            if next_s > limit_s:
                break
        data = bytes(self._received[:size])
        del self._received[:size]
        return data

    def write(self, data: Any) -> int:
        """Send bytes on their way; takes no time."""
        self._check()
        sent = bytes(data)
        arrival_s, arrived = self._carried(0, sent, self._now_s)
        if arrived:
            self._to_board.append((arrival_s, arrived))
        return len(sent)

    def flush(self) -> None:
        """Nothing to wait for."""
        self._check()

    def reset_input_buffer(self) -> None:
        """Forget what has come."""
        self._check()
        self._received.clear()

    def reset_output_buffer(self) -> None:
        """Nothing is held back."""
        self._check()

    # how

    def _check(self) -> None:
        if not self.is_open:
            raise PortNotOpenError
        if self._now_s >= self._options.unplug_at_s:
            raise SerialException("the device is gone: read or write on an unplugged port")

    def _carried(self, way: int, data: bytes, at_s: float) -> tuple[float, bytes]:
        """When and how a piece comes out at the other end; pieces never overtake each other."""
        wire_s = len(data) * _BITS_PER_BYTE / max(self.baudrate, 1)
        options = self._options
        delay_s = (options.serial_delay_us + options.serial_jitter_us * self._rng.random()) * 1e-6
        arrival_s = max(at_s + delay_s, self._line_free_s[way]) + wire_s
        self._line_free_s[way] = arrival_s
        if options.serial_error_rate:
            data = _damaged(data, options.serial_error_rate, self._rng)
        return arrival_s, data

    def _go(self, to_s: float) -> None:
        """Let the bench go on to a time, carrying what is on the wires."""
        while self._to_board and self._to_board[0][0] <= to_s:
            at_s, data = self._to_board.popleft()
            if at_s >= self._options.unplug_at_s:
                continue
            reply = self._answers.take(data, at_s)
            if reply:
                self._to_host.append(self._carried(1, reply, at_s + _ANSWER_S))
        if to_s >= self._options.unplug_at_s and self._powered:
            self.twin.advance(self._options.unplug_at_s)
            self.twin.power_lost()
            self._powered = False
        if self._powered:
            self.twin.advance(to_s)
        while self._to_host and self._to_host[0][0] <= to_s:
            self._received += self._to_host.popleft()[1]
        self._now_s = to_s

    def _bring_up(self) -> None:
        """Bring the world to the present, so that its audio and MIDI can be read."""
        if self._powered:
            self.twin.gather()
        else:
            self.world.advance(self._now_s)


class SimulatedMidi:
    """The host's MIDI port on a simulated bench."""

    def __init__(self, port: Serial, bench: World) -> None:
        self._port, self._bench = port, bench

    def read(self) -> list[tuple[float, bytes]]:
        """Messages since the last call: (host time, bytes)."""
        self._port._bring_up()
        return self._bench.take_host_midi()

    def close(self) -> None:
        """Nothing to let go of."""


def _split(url: str) -> tuple[str, dict[str, str]]:
    parts = urlsplit(url)
    if parts.scheme.lower() != "sim" or parts.netloc not in ("bench", "board"):
        raise BenchError(f"{url}: a simulated port is sim://bench?… or sim://board?…")
    try:
        pairs = parse_qsl(parts.query, keep_blank_values=True, strict_parsing=bool(parts.query))
    except ValueError as error:
        raise BenchError(f"{url}: {error}; keys are given as key=value, parted by &") from error
    query = dict(pairs)
    known = [*BOARD_KEYS, "seed"]
    if parts.netloc == "bench":
        known += [*WORLD_KEYS, *(f"set.{name}" for name in SETTINGS)]
    check_keys(query, known)
    return parts.netloc, query


def _make_bench(query: dict[str, str], options: BoardOptions) -> World:
    world = read_world({key: text for key, text in query.items() if key not in BOARD_KEYS})
    world.board_ppm, world.board_start_s = options.board_ppm, options.board_start_s
    world.keeps_truth = False
    return world


def _damaged(data: bytes, rate: float, rng: np.random.Generator) -> bytes:
    """Each byte may be flipped in one bit, lost or doubled."""
    hit = np.flatnonzero(rng.random(len(data)) < rate)
    if not len(hit):
        return data
    out = bytearray()
    for place, byte in enumerate(data):
        if place not in hit:
            out.append(byte)
            continue
        match int(rng.integers(3)):
            case 0:
                out.append(byte ^ 1 << int(rng.integers(8)))
            case 1:
                pass
            case _:
                out += bytes((byte, byte))
    return bytes(out)
