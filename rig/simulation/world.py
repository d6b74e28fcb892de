"""The simulated world: virtual time, and everything that hangs on the board's pins.

Whoever plays the board calls :meth:`World.coil_on`, :meth:`World.coil_cut` and :meth:`World.marker`
not before the time that the world has reached, and :meth:`World.advance` to let time pass. What
comes out is the same however time is sliced.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from rig.capture.audio_block import AudioBlock
from rig.simulation import presets
from rig.simulation.contact import Contact
from rig.simulation.interface import Interface
from rig.simulation.module import Module
from rig.simulation.module_figures import ModuleFigures, ModuleNote
from rig.simulation.pad import Pad, PadFigures, StrokeSound
from rig.simulation.striker import Striker
from rig.simulation.striker_figures import StrikerFigures
from rig.simulation.truth import SETTLED_S, TruthLog
from rig.simulation.wire import BYTE_S, SentMessage, line_edges

_HOST_KEEPS_S = 30.0
"""A host's port holds messages that nobody takes for so long."""
_PICKUP_N = 0.3
"""Force at which the impact pickup of the pad's rim answers."""


class World:
    """One bench in virtual time.

    Parameters
    ----------
    pad, module, strikers
        What stands there; strikers in order of their coils.
    seed
        Of all that is random.
    position
        Where the pad is struck: 0 centre, 1 edge.
    spread
        Whether strokes differ from one another.
    ambient_c
        Temperature of the room.
    audio_ppm
        Error of the audio interface's clock.
    drop_audio_at_s
        True times at which a block of audio is lost.
    drop_miscount_frames
        By how much the interface's account of each lost block is too high.

    Attributes
    ----------
    sounds, pulses, notes
        What happened so far, for the truth; the last seconds alone if not ``keeps_truth``.
    keeps_truth
        Keep all of it in memory; else it goes to the disk as it settles.
    """

    def __init__(
        self,
        pad: PadFigures | None = None,
        module: ModuleFigures | None = None,
        strikers: Sequence[StrikerFigures] = tuple(presets.STRIKERS.values()),
        *,
        seed: int = 1,
        position: float = 0.5,
        spread: bool = True,
        ambient_c: float = 21.0,
        audio_ppm: float = 18.0,
        drop_audio_at_s: Sequence[float] = (),
        drop_miscount_frames: int = 0,
    ) -> None:
        pad_figures = pad or presets.PADS["loam-mesh"]
        self.pad = Pad(pad_figures)
        self.module = Module(module or presets.module_figures("brook"), self.pad, seed)
        self.module.ports.on_sent = self._on_sent
        self.strikers = [
            Striker(
                figures,
                coil=coil,
                pad_modulus_pa=pad_figures.modulus_pa,
                restitution=pad_figures.restitution,
                position=position,
                seed=seed if spread else None,
                ambient_c=ambient_c,
            )
            for coil, figures in enumerate(strikers)
        ]
        self.seed, self.audio_ppm = seed, audio_ppm
        self.board_ppm, self.board_start_s = 0.0, 0.0
        self._drop_audio_at_s = tuple(drop_audio_at_s)
        self._drop_miscount_frames = drop_miscount_frames
        self.now_s = 0.0
        self.sounds: list[StrokeSound] = []
        self.pulses: list[dict[str, Any]] = []
        self._truth = TruthLog()
        self.keeps_truth = True
        self._settled_s = 0.0
        self._pulse_count = 0
        self._pending: list[Contact] = []
        self._done: dict[int, int] = {}  # contacts that have happened, by coil pulse
        self._impacts: list[tuple[float, int]] = []
        self.interface: Interface | None = None

    # -- from the board -----------------------------------------------------------------------

    def coil_on(self, coil: int, on_s: float, off_s: float) -> None:
        """Coil on at ``on_s``, and off at ``off_s`` if nothing cuts it.

        Raises
        ------
        ValueError
            There is no such coil, or ``on_s`` lies before the time that the world has reached.
        """
        striker = self._striker(coil, on_s)
        number = self._pulse_count
        self._pulse_count += 1
        contacts = striker.strike(on_s, off_s, number)
        self.pulses.append(
            {"strike": number, "striker": striker.figures.id, "on_s": on_s, "off_s": off_s}
        )
        kept = [c for c in self._pending if c.coil != coil or c.traced_s <= on_s]
        self._pending = sorted(kept + contacts, key=lambda c: c.contact_s)

    def coil_cut(self, coil: int, at_s: float) -> None:
        """The coil's supply is gone from ``at_s`` on (an e-stop, a trip): its pulse ends there."""
        striker = self._striker(coil, at_s)
        contacts = striker.cut(at_s)
        mine = [p for p in self.pulses if p["striker"] == striker.figures.id]
        if not mine:
            return
        mine[-1]["off_s"] = min(mine[-1]["off_s"], max(at_s, mine[-1]["on_s"]))
        number = mine[-1]["strike"]
        kept = [c for c in self._pending if c.strike != number]
        left = contacts[self._done.get(number, 0) :]
        self._pending = sorted(kept + left, key=lambda c: c.contact_s)

    def _striker(self, coil: int, at_s: float) -> Striker:
        if not 0 <= coil < len(self.strikers):
            raise ValueError(f"coil {coil}: the bench has coils 0 to {len(self.strikers) - 1}")
        if at_s < self.now_s - 1e-9:
            raise ValueError(f"coil {coil} at {at_s} s: the world is at {self.now_s} s already")
        return self.strikers[coil]

    def marker(self, on_s: float, width_s: float) -> None:
        """Send a marker pulse to the audio interface."""
        if self.interface is not None:
            self.interface.see_marker(on_s, width_s)

    # -- time ---------------------------------------------------------------------------------

    def advance(self, to_s: float) -> None:
        """Let time pass; going back does nothing."""
        if not to_s > self.now_s:
            return
        while self._pending and self._pending[0].contact_s <= to_s:
            self._happen(self._pending.pop(0))
        self.now_s = to_s
        if not self.keeps_truth and to_s > self._settled_s + SETTLED_S:
            self._settle_truth()

    def _happen(self, contact: Contact) -> None:
        sound = self.pad.sound(contact)
        self.sounds.append(sound)
        self._done[contact.strike] = self._done.get(contact.strike, 0) + 1
        self.module.hear(sound)
        if self.interface is not None:
            self.interface.hear(sound)
        if contact.force_n > 1.2 * _PICKUP_N:
            # the pulse begins with slope 1.76 F / T (its two terms at 0)
            rise_s = contact.duration_s * _PICKUP_N / contact.force_n / 1.76
            self._impacts.append((contact.contact_s + rise_s, 0))

    def settle(self) -> float:
        """Bring the module up to the present; gives the present."""
        self.module.advance(self.now_s)
        return self.now_s

    def _on_sent(self, sent: SentMessage, note: ModuleNote | None) -> None:
        if self.interface is None:
            return
        for place, byte in enumerate(sent.wire_bytes):
            self.interface.see_din(line_edges(sent.start_s + place * BYTE_S, byte))
        if note is not None:
            self.interface.hear_note(note.sound_s, note.velocity)

    # -- to the board and the host --------------------------------------------------------------

    def take_impacts(self) -> list[tuple[float, int]]:
        """Answers of the impact pickup up to now, (true time, pickup), once each."""
        come = sorted(i for i in self._impacts if i[0] <= self.now_s)
        self._impacts = [i for i in self._impacts if i[0] > self.now_s]
        return come

    def take_din(self) -> list[tuple[float, int]]:
        """DIN bytes that have ended by now: (true time of the start bit, byte), once each."""
        return list(self.module.ports.take_din(self.settle()))

    def take_host_midi(self) -> list[tuple[float, bytes]]:
        """Messages that a host on the USB port has by now: (true time, bytes), once each."""
        return self.module.ports.take_host(self.settle())

    def audio_source(
        self,
        sample_rate_hz: int,
        roles: Sequence[str],
        bring_up: Callable[[], object] | None = None,
    ) -> Interface:
        """Plug in an audio interface, in place of the last one.

        Parameters
        ----------
        sample_rate_hz, roles
            Its rate, and what its channels record.
        bring_up
            Called before each read, to advance the world to the present.
        """

        def now_s() -> float:
            if bring_up is not None:
                bring_up()
            return self.settle()

        self.interface = Interface(
            sample_rate_hz,
            self.audio_ppm,
            roles,
            self.pad,
            self.seed,
            now_s,
            self._drop_audio_at_s,
            self._drop_miscount_frames,
        )
        return self.interface

    def audio_until(self, to_s: float) -> list[AudioBlock]:
        """Advance, and give the blocks of audio that are complete by then."""
        self.advance(to_s)
        self.settle()
        return self.interface.read_until(self.now_s) if self.interface is not None else []

    def _settle_truth(self) -> None:
        """Move what has settled to the disk."""
        self._settled_s = self.settle()
        self.module.ports.forget_host(self._settled_s - _HOST_KEEPS_S)
        self._truth.settle(self.pulses, self.sounds, self.module.ports.notes, self._settled_s)
        first = self.pulses[0]["strike"] if self.pulses else self._pulse_count
        self._done = {strike: count for strike, count in self._done.items() if strike >= first}

    # -- truth --------------------------------------------------------------------------------

    @property
    def notes(self) -> list[ModuleNote]:
        """Every note that the module has sent by now, and why."""
        self.settle()
        return self.module.ports.notes

    def write_truth(self, run_path: str | os.PathLike[str]) -> Path:
        """Write ``RUN.truth.json`` beside a run folder; gives its path."""
        clock = self.interface.clock if self.interface is not None else None
        figures = self.module.figures
        return self._truth.write(
            run_path,
            {
                "seed": self.seed,
                "pad": self.pad.figures.name,
                "module": figures.name,
                "firmware": figures.firmware,
            },
            {
                "board_ppm": self.board_ppm,
                "board_start_s": self.board_start_s,
                "audio_ppm": self.audio_ppm,
                "audio_rate_hz": clock.sample_rate_hz if clock else None,
                "audio_start_s": clock.start_s if clock else None,
                "audio_step_s": clock.step_s if clock else None,
            },
            self.pulses,
            self.sounds,
            self.notes,
        )
