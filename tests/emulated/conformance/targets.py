"""Boards that the conformance tests are put to.

A target is a board just powered up, in lockstep: its time moves by ``run_s`` alone. To add one,
derive from ``Target``, write the methods that raise ``NotImplementedError``, and name it in
``MAKERS`` of ``conftest.py``. Everything else is said in requests, so that all targets are asked
the same.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from board_process import BoardProcess
from lockstep_board import Event, LockstepBoard

from rig.link.frame import FrameDecoder
from rig.link.messages import (
    Refusal,
    Trip,
)
from rig.simulation.board_answers import BoardAnswers
from rig.simulation.board_twin import BoardTwin
from rig.simulation.empty_world import EmptyWorld

TICKS_PER_S = 2_000_000
MS = 2000
"""Ticks a millisecond."""


class Target(LockstepBoard):
    """A board in lockstep, its inputs, and what its coils truly do."""

    # what each kind of board must bring

    def input(self, name: str, value: int) -> None:
        """Change an input now.

        ``estop``, ``guard``: 1 closed. ``supply``: mV. ``current0``, ``current1``: 1 flows, 0 does
        not, whatever the coil does; 2 as the coil does. ``bridge``: 1, the e-stop loop's end is
        short to ground. ``heat0``: the coil's heat in memory is overwritten, thousands of ticks.
        """
        raise NotImplementedError

    def din(self, data: bytes) -> int:
        """Bytes back to back on the DIN line from 1 ms ahead; ticks of the first start bit."""
        raise NotImplementedError

    def reset(self) -> None:
        """Pull the reset line now."""
        raise NotImplementedError

    def hang(self) -> None:
        """The program hangs from now on."""
        raise NotImplementedError

    def pulses(self, coil: int) -> list[tuple[int, int]]:
        """Start and width in ticks of each pulse that has ended, by the coil's true level."""
        raise NotImplementedError

    def markers(self) -> list[tuple[int, int]]:
        """Start and width in ticks of each marker that has ended."""
        raise NotImplementedError

    def close(self) -> None:
        """Let go of the board."""

    # what is said in requests

    @property
    def trip(self) -> Trip:
        """Trip as the board says."""
        return Trip(self.standing()["trip_code"])

    def wait_s(self, seconds: float) -> list[Event]:
        """Let time pass with polls that keep the host alive; the events."""
        fresh: list[Event] = []
        left_s = seconds
        while left_s > 0:
            self.run_s(min(left_s, 0.05))
            fresh += self.poll()
            left_s -= 0.05
        return fresh

    def begin_burst(self, *strikes: tuple[int, int, int], count: int = 0) -> None:
        """Load strikes and begin a burst of them (or of ``count``)."""
        assert self.load(*strikes) is Refusal.DONE
        assert self.do("begin", count or len(strikes)) is Refusal.DONE


class TwinTarget(Target):
    """The simulated board."""

    def __init__(self) -> None:
        super().__init__()
        self.world = EmptyWorld()
        self._now_s = 0.0
        self.twin = BoardTwin(self.world, start_s=0.0, rng=np.random.default_rng(1))
        self._answers = BoardAnswers(self.twin)
        self._decoder = FrameDecoder()

    def run_s(self, seconds: float) -> None:
        """Let time pass."""
        self._now_s += seconds
        self.twin.advance(self._now_s)

    def send(self, data: bytes) -> None:
        """Bytes arrive at once and are answered at once."""
        self.frames += self._decoder.feed(self._answers.take(data, self._now_s))

    def input(self, name: str, value: int) -> None:
        """Change an input now."""
        if name.startswith("current"):
            bit = 1 << int(name[-1])
            for field, forced in (("coil_dead", 0), ("coil_stuck", 1)):
                others = getattr(self.twin.contacts.inputs, field) & ~bit
                self.twin.set_input(field, others | (bit if value == forced else 0))
        elif name == "heat0":
            self.twin.queue.coils[0].heat_ticks = value * 1000
        else:
            field = {
                "estop": "estop_closed",
                "guard": "guard_closed",
                "supply": "supply_mv",
                "bridge": "loop_bridged",
            }[name]
            self.twin.set_input(field, value)

    def din(self, data: bytes) -> int:
        """Bytes on the DIN line."""
        at_s = self._now_s + 1e-3
        for place, byte in enumerate(data):
            self.world.din(at_s + place * 320e-6, byte)
        return self.twin.ticks_at(at_s)

    def reset(self) -> None:
        """Pull the reset line."""
        self.twin.set_input("reset", 0)

    def hang(self) -> None:
        """The program hangs."""
        self.twin.set_input("hang", 0)

    def _ended(self, spans: Iterable[tuple[float, float]]) -> list[tuple[int, int]]:
        return [
            (round(on_s * TICKS_PER_S), round((off_s - on_s) * TICKS_PER_S))
            for on_s, off_s in spans
            if off_s <= self._now_s
        ]

    def pulses(self, coil: int) -> list[tuple[int, int]]:
        """Pulses as the world felt them."""
        return self._ended(
            (on_s, off_s) for number, on_s, off_s in self.world.pulses if number == coil
        )

    def markers(self) -> list[tuple[int, int]]:
        """Markers as the world saw them."""
        return self._ended((on_s, on_s + width_s) for on_s, width_s in self.world.markers)


class LockstepTarget(Target):
    """The firmware in a process: its core on this machine, or its image on the emulator."""

    def __init__(self, process: BoardProcess) -> None:
        super().__init__()
        self._process = process
        self.frames = process.frames

    def run_s(self, seconds: float) -> None:
        """Let time pass."""
        self._process.run_ticks(round(seconds * TICKS_PER_S))

    def send(self, data: bytes) -> None:
        """Bytes on the serial line."""
        self._process.send(data)

    def input(self, name: str, value: int) -> None:
        """Change an input now."""
        self._process.input(name, value)

    def din(self, data: bytes) -> int:
        """Bytes on the DIN line."""
        process = self._process
        cycle = process.cycle + MS * 8
        process.din(cycle, data)
        return (cycle - process.origin_cycle) // 8

    def reset(self) -> None:
        """Pull the reset line."""
        self._process.command("reset 2 0")

    def hang(self) -> None:
        """The program hangs."""
        self._process.command("hang 0")

    def _spans(self, output: int) -> list[tuple[int, int]]:
        return [
            ((cycle - self._process.origin_cycle) // 8, cycles // 8)
            for cycle, cycles in self._process.pulses(output)
        ]

    def pulses(self, coil: int) -> list[tuple[int, int]]:
        """Pulses by the coil's true level."""
        return self._spans(coil)

    def markers(self) -> list[tuple[int, int]]:
        """Markers by their line's true level."""
        return self._spans(2)

    def close(self) -> None:
        """End the process."""
        self._process.close()
