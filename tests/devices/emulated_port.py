"""The emulated controller as a port that brings its world: strikers, a pad, and a prompt module.

The firmware's real image makes the coil and marker pulses and stamps the DIN bytes. Strikers, pad
and audio interface are those of the simulated bench; the module is one of the test's own, whose
delay is exact. Emulated time is led in slices, so that what follows from a pulse is on its way
before the controller gets there, however busy this machine is.
"""

from __future__ import annotations

import dataclasses
import subprocess

from rig.simulation import presets
from rig.simulation.interface import Interface
from rig.simulation.module import Module
from rig.simulation.module_figures import ModuleNote
from rig.simulation.pad import StrokeSound
from rig.simulation.wire import BYTE_S
from rig.simulation.world import World

CYCLES_PER_S = 16_000_000
SLICE_CYCLES = 32_000
"""2 ms: less than from an onset to the begin of its note."""
LONGEST_PULSE_S = 0.02
MARKER = 2
"""Output number of the marker; coils are 0 and 1."""
MESSAGE_BYTES = 3
HOLD_S = 0.06


class PromptModule(Module):
    """A module whose note-on ends on the wire at a fixed time after the stroke's onset.

    A host on its USB port could have it at that very moment: what a host's stamp is late by is the
    path's own.
    """

    delay_s = 0.005

    def __init__(self, *args, **options):
        super().__init__(*args, **options)
        self.ahead: list[tuple[float, bytes]] = []

    def hear(self, sound: StrokeSound) -> None:
        """Know the note of a stroke at its contact, some milliseconds ahead."""
        f, contact = self.figures, sound.contact
        end_s = sound.onset_s + self.delay_s
        start_s = end_s - MESSAGE_BYTES * BYTE_S
        velocity, status = self.velocity(sound.level), 0x90 | (f.channel - 1)
        note = ModuleNote(
            trigger_s=sound.onset_s,
            ready_s=start_s,
            start_s=start_s,
            end_s=end_s,
            host_s=end_s,
            sound_s=end_s,
            note=f.note,
            velocity=velocity,
            strike=contact.strike,
            striker=contact.striker,
            reason="stroke",
        )
        for at_s, message, of in (
            (start_s, bytes([status, f.note, velocity]), note),
            (start_s + HOLD_S, bytes([status, f.note, 0]), None),
        ):
            self.ahead.append((at_s, message))
            self.ports.queue(at_s, message, of)

    def advance(self, to_s: float) -> None:
        """Send what has become ready."""
        self.ports.advance(to_s)


class UsbPort:
    """The module's USB port, as a host sees it."""

    def __init__(self, world: World) -> None:
        self._world = world

    def read(self) -> list[tuple[float, bytes]]:
        """Messages that a host can have by now, once each."""
        return self._world.take_host_midi()


class EmulatedPort:
    """Brings what ``DEVELOPERS.md`` says that a port may bring.

    Parameters
    ----------
    command
        Harness and image.
    seed
        Of strikers, noise and clock phases.
    """

    def __init__(self, command: list[str], seed: int) -> None:
        figures = dataclasses.replace(presets.module_figures("brook"), running_status=False)
        self._world = World(module=figures, seed=seed)
        self._module = PromptModule(figures, self._world.pad, seed)
        self._module.ports.on_sent = self._world.module.ports.on_sent
        self._world.module = self._module
        self._received = bytearray()
        self._cycle = 0
        self._marker_s: float | None = None  # a marker that has begun and not ended
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def write(self, data: bytes) -> None:
        """Put bytes on the line to the board."""
        if data:
            self._command(f"send {data.hex()}")

    @property
    def in_waiting(self) -> int:
        """Bytes that have come from the board."""
        return len(self._received)

    def read(self, size: int) -> bytes:
        """Take bytes that have come."""
        data = bytes(self._received[:size])
        del self._received[:size]
        return data

    def monotonic_s(self) -> float:
        """Emulated time."""
        return self._cycle / CYCLES_PER_S

    def sleep_s(self, seconds: float) -> None:
        """Let emulated time pass, by a slice at most: what has come is seen to in between."""
        cycles = min(round(seconds * CYCLES_PER_S), SLICE_CYCLES)
        if cycles > 0:
            self._command(f"run {cycles}")
            now_s = self.monotonic_s()
            self._world.advance(now_s if self._marker_s is None else self._marker_s)
            ahead, self._module.ahead = self._module.ahead, []
            for start_s, message in ahead:
                cycle = round(start_s * CYCLES_PER_S)
                if cycle <= self._cycle:
                    raise RuntimeError(f"a note at cycle {cycle} comes too late at {self._cycle}")
                self._command(f"din {cycle} {message.hex()}")

    def audio_source(self, sample_rate_hz: int, roles: list[str]) -> Interface:
        """Inputs of the bench."""
        return self._world.audio_source(sample_rate_hz, roles)

    def midi_source(self) -> UsbPort:
        """The module's USB port."""
        return UsbPort(self._world)

    def run_closed(self, run_path: str) -> None:
        """Write the truth, and end the controller."""
        self._world.write_truth(run_path)
        self._process.stdin.close()
        self._process.stdout.close()
        self._process.wait(10)

    def _command(self, line: str) -> None:
        """Give one command of ``rig/firmware/host/console.h``, and take in what it brought."""
        self._process.stdin.write(line + "\n")
        self._process.stdin.flush()
        for answer in self._process.stdout:
            word, *rest = answer.split()
            if word == "at":
                self._cycle = int(rest[0])
                return
            if word == "host":
                self._received += bytes.fromhex(rest[0])
            elif word in ("coil", "marker"):
                self._edge(int(rest[0]), rest[1] == "1", int(rest[2]) / CYCLES_PER_S)
            elif word in ("overrun", "error"):
                raise RuntimeError(answer)
        raise RuntimeError(f"the emulated controller ended at {line!r}")

    def _edge(self, output: int, level: bool, at_s: float) -> None:
        if output == MARKER:
            if level:
                self._marker_s = at_s
            elif self._marker_s is not None:
                self._world.marker(self._marker_s, at_s - self._marker_s)
                self._marker_s = None
        elif level:
            # its end is not known yet: it is cut there
            self._world.coil_on(output, at_s, at_s + LONGEST_PULSE_S)
        else:
            self._world.coil_cut(output, at_s)
