"""The module under test: its detector, its main loop, and the messages that it sends."""

from __future__ import annotations

import collections
import dataclasses
import heapq
import math
from collections.abc import Callable, Iterator

import numpy as np
import numpy.typing as npt

from rig.simulation.mixer import Mixer
from rig.simulation.noise import Background, generator
from rig.simulation.pad import Pad, StrokeSound
from rig.simulation.wire import BYTE_S, DinWire, SentMessage, usb_arrival_s

_CHUNK = 4096
_STEPS = 2048  # of a 12-bit converter, to either side
_REMEMBERED_S = 1.5  # how long a stroke may be the cause of a note
_INTERFERENCE_BLOCK_S = 10.0
_LAG_S = 0.5


@dataclasses.dataclass(frozen=True, kw_only=True)
class ModuleFigures:
    """What the module does.

    The six detector settings bear the names of the specimen file. ``full_level``: level at the
    converter, of full scale, that yields velocity 127. ``zone_ratio``: the second zone sounds when
    its level is above this share of the first's. Its sound is rendered a buffer at a time: a note
    sounds from the begin of the buffer after the next, and a converter's delay later.
    ``interference_per_h``: how often a short pulse of
    ``interference_level`` gets into its input. ``status_sent``: its last message before all begins
    was a note-on.
    """

    name: str
    firmware: str
    gain_db: float = 0.0
    threshold_percent: float = 1.6
    peak_window_ms: float = 2.0
    dead_time_ms: float = 13.0
    release_ms: float = 22.0
    curve_exponent: float = 1.0
    full_level: float = 0.625
    sample_rate_hz: float = 16_000.0
    clock_ppm: float = 60.0
    noise_rms: float = 3e-4
    poll_period_ms: float = 1.0
    poll_jitter_ms: float = 0.05
    processing_ms: float = 0.4
    channel: int = 10
    note: int = 38
    second_note: int = 40
    note_hold_ms: float = 60.0
    running_status: bool = True
    status_sent: bool = False
    zero_velocity_off: bool = True
    sensing_ms: float = 0.0
    zone_ratio: float = 0.5
    interference_per_h: float = 0.0
    interference_level: float = 0.04
    sound_rate_hz: float = 48_000.0
    sound_buffer_frames: float = 64.0
    sound_converter_ms: float = 0.8
    usb_spread_ms: float = 0.3


@dataclasses.dataclass(frozen=True, kw_only=True)
class ModuleNote:
    """One note that the module sent, and why.

    ``trigger_s``: when its input passed the level; ``ready_s``: when its main loop sent it;
    ``end_s``: end of its last byte on the DIN wire; ``host_s``: when a host on its USB port has it;
    ``sound_s``: when its own sound begins at its output.
    ``strike``: the coil pulse behind it, -1 for none. ``reason``: ``stroke``, ``late peak``,
    ``ringing``, ``noise`` or ``crosstalk``.
    """

    trigger_s: float
    ready_s: float
    start_s: float
    end_s: float
    host_s: float
    sound_s: float
    note: int
    velocity: int
    strike: int
    striker: str
    reason: str


class Module:
    """The module, fed with strokes, asked for what it has sent up to a time.

    Parameters
    ----------
    figures
        What it does.
    pad
        The pad at its inputs.
    seed
        Of its noise, jitter and clock phases.
    """

    def __init__(self, figures: ModuleFigures, pad: Pad, seed: int) -> None:
        self.figures = f = figures
        self._pad, self._seed = pad, seed
        self._rng = generator(seed, "module")
        self.step_s = 1.0 / (f.sample_rate_hz * (1.0 + f.clock_ppm * 1e-6))
        self._start_s = float(self._rng.uniform(-1.0, 0.0)) * self.step_s
        self._buffer_s = f.sound_buffer_frames / (f.sound_rate_hz * (1.0 + f.clock_ppm * 1e-6))
        self._buffer_phase_s = float(generator(seed, "module sound").uniform()) * self._buffer_s
        self._phase_s = float(self._rng.uniform(0.0, 1e-3)) * f.poll_period_ms
        rms = math.hypot(f.noise_rms, pad.figures.noise_rms)
        names = ["module zone 0"] + (["module zone 1"] if pad.figures.crosstalk_share else [])
        self._zones = [
            (Mixer(), Background(seed, name, rms, pad.figures.hum, self._start_s, self.step_s))
            for name in names
        ]
        self._gain = 10.0 ** (f.gain_db / 20.0)
        self._threshold = f.threshold_percent / 100.0
        self._sounds: collections.deque[StrokeSound] = collections.deque()
        self._interference_to = 0
        # the detector: next sample, and what it is doing
        self._next = 0
        self._trigger = self._window_end = -1
        self._dead_until = 0
        self._peaks = [0.0] * len(self._zones)
        self._rearm = 0.0
        # what waits to be sent: (ready, order, message, note without its wire times)
        self._waiting: list[tuple[float, int, bytes, ModuleNote | None]] = []
        self._order = 0
        self._wire = DinWire(f.running_status, 0x90 | (f.channel - 1) if f.status_sent else -1)
        self._din: collections.deque[tuple[float, int]] = collections.deque()
        self._host: list[tuple[float, bytes]] = []
        self.notes: list[ModuleNote] = []
        self.on_sent: Callable[[SentMessage, ModuleNote | None], None] | None = None
        if f.sensing_ms > 0.0:
            self._queue(self._poll_after(0.0), b"\xfe", None)

    # -- inputs -------------------------------------------------------------------------------

    def hear(self, sound: StrokeSound) -> None:
        """Take in one stroke, before any sample after its contact is asked for."""
        if sound.contact.contact_s > self._start_s + self._next * self.step_s + _LAG_S:
            self.advance(sound.contact.contact_s)  # keeps what is remembered short
        self._sounds.append(sound)
        first, wave = sound.render(self._start_s, self.step_s)
        self._zones[0][0].add(first, wave)
        if len(self._zones) > 1:
            f = self._pad.figures
            first, wave = sound.render(self._start_s, self.step_s, f.crosstalk_delay_s)
            self._zones[1][0].add(first, wave * np.float32(f.crosstalk_share))

    def _interfere(self, until_s: float) -> None:
        """Put the interference of all blocks up to a time into the input."""
        f = self.figures
        while (
            f.interference_per_h > 0.0 and self._interference_to * _INTERFERENCE_BLOCK_S <= until_s
        ):
            rng = generator(self._seed, "interference", self._interference_to)
            mean = f.interference_per_h * _INTERFERENCE_BLOCK_S / 3600.0
            begin_s = self._interference_to * _INTERFERENCE_BLOCK_S
            for at in np.sort(rng.uniform(0.0, _INTERFERENCE_BLOCK_S, rng.poisson(mean))):
                first = math.ceil((begin_s + float(at) - self._start_s) / self.step_s)
                wave = np.sin(np.linspace(0.0, math.pi, 24)) * f.interference_level / self._gain
                self._zones[0][0].add(first, wave.astype(np.float32))
            self._interference_to += 1

    def _levels(self, zone: int, first: int, count: int) -> npt.NDArray[np.float32]:
        """Rectified converter readings, of full scale."""
        mixer, background = self._zones[zone]
        volts = (mixer.view(first, count) + background.take(first, count)) * np.float32(self._gain)
        steps = np.rint(np.abs(volts) * np.float32(_STEPS))
        return np.asarray(np.minimum(steps, np.float32(_STEPS - 1)) / np.float32(_STEPS))

    def _quiet(self, first: int, count: int) -> bool:
        """Nothing in this span can pass the threshold."""
        mixer, background = self._zones[0]
        # one converter step of margin for rounding
        limit = self._threshold - 1.0 / _STEPS
        return mixer.silent(first) and background.peak(first, count) * self._gain < limit

    # -- detector -----------------------------------------------------------------------------

    def advance(self, to_s: float) -> None:
        """Run the detector and the main loop up to a time."""
        end = math.floor((to_s - self._start_s) / self.step_s)
        self._interfere(to_s)
        while self._next < end:
            if self._next < self._window_end:
                self._watch(end)
            elif self._next < self._dead_until:
                self._next = min(end, self._dead_until)
            else:
                self._seek(end)
        for mixer, _ in self._zones:
            mixer.forget(self._next)
        self._send(self._start_s + self._next * self.step_s)
        while self._sounds and self._sounds[0].contact.contact_s < to_s - _REMEMBERED_S:
            self._sounds.popleft()

    def _seek(self, end: int) -> None:
        """Armed: look for the first sample above threshold and re-arming level."""
        first = self._next
        count = min(_CHUNK, end - first)
        if self._quiet(first, end - first):
            self._next = end
            return
        release = self.figures.release_ms * 1e-3 / self.step_s
        level: npt.NDArray[np.float64] | float = self._threshold
        age = (first - self._dead_until) / release
        if self._rearm > 0.0 and self._rearm * math.exp(-age) > self._threshold:
            ages = (np.arange(first, first + count) - self._dead_until) / release
            level = np.maximum(self._threshold, self._rearm * np.exp(-ages))
        above = self._levels(0, first, count) > level
        place = int(above.argmax())
        if not above[place]:
            self._next = first + count
            return
        f = self.figures
        self._trigger = self._next = first + place
        self._window_end = self._trigger + max(1, round(f.peak_window_ms * 1e-3 / self.step_s))
        dead = round(f.dead_time_ms * 1e-3 / self.step_s)
        self._dead_until = max(self._window_end, self._trigger + dead)
        self._peaks = [0.0] * len(self._zones)

    def _watch(self, end: int) -> None:
        """Inside the peak window: keep the highest level; at its end decide."""
        count = min(end, self._window_end) - self._next
        for zone in range(len(self._zones)):
            highest = float(self._levels(zone, self._next, count).max())
            self._peaks[zone] = max(self._peaks[zone], highest)
        self._next += count
        if self._next == self._window_end:
            self._decide()

    def _decide(self) -> None:
        f = self.figures
        self._rearm = self._peaks[0]
        ready_s = self._poll_after(
            self._start_s + self._window_end * self.step_s + f.processing_ms * 1e-3
        )
        self._note(ready_s, f.note, self._peaks[0], *self._cause())
        if len(self._peaks) > 1:
            floor = max(self._threshold, f.zone_ratio * self._peaks[0])
            if self._peaks[1] > floor:
                strike, striker, _ = self._cause()
                self._note(ready_s, f.second_note, self._peaks[1], strike, striker, "crosstalk")

    def velocity(self, level: float) -> int:
        """Velocity of a level of full scale: 1 + 126 (level / full level) ** exponent, 1 to 127."""
        share = max(0.0, level / self.figures.full_level)
        return int(min(127.0, max(1.0, round(1.0 + 126.0 * share**self.figures.curve_exponent))))

    def _cause(self) -> tuple[int, str, str]:
        """Which stroke, and what of it, holds most of what the peak window saw."""
        begin_s = self._start_s + (self._trigger - 1) * self.step_s
        times = begin_s + np.linspace(0.0, (self._window_end - self._trigger + 1) * self.step_s, 48)
        half = 0.5 * self._peaks[0] / self._gain
        nothing = (-1, "", "noise")
        best, cause = half, nothing
        most, together = half, nothing
        for sound in self._sounds:
            contact = sound.contact
            if not begin_s - _REMEMBERED_S < contact.contact_s < times[-1]:
                continue
            parts = sound.parts(times - contact.contact_s)
            heights = {reason: float(np.abs(wave).max()) for reason, wave in parts.items()}
            tallest = max(heights, key=heights.__getitem__)
            if heights[tallest] > best:
                best, cause = heights[tallest], (contact.strike, contact.striker, tallest)
            whole = float(np.abs(sum(parts.values())).max())
            if whole > most:
                most, together = whole, (contact.strike, contact.striker, tallest)
        # no part of a sound is half of it where a ringing and a late peak meet
        return together if cause is nothing else cause

    # -- main loop and ports ------------------------------------------------------------------

    def _poll_after(self, t_s: float) -> float:
        """Next turn of the free-running main loop."""
        f = self.figures
        if f.poll_period_ms <= 0.0:
            return t_s
        period = f.poll_period_ms * 1e-3
        turn = self._phase_s + math.ceil((t_s - self._phase_s) / period) * period
        return turn + float(self._rng.uniform(0.0, 1e-3)) * f.poll_jitter_ms

    def _sound_after(self, ready_s: float) -> float:
        """Begin of the sound: one buffer is rendered while the one before it plays."""
        taken = math.floor((ready_s - self._buffer_phase_s) / self._buffer_s) + 1
        plays_s = self._buffer_phase_s + (taken + 1) * self._buffer_s
        return plays_s + self.figures.sound_converter_ms * 1e-3

    def _queue(self, ready_s: float, message: bytes, note: ModuleNote | None) -> None:
        heapq.heappush(self._waiting, (ready_s, self._order, message, note))
        self._order += 1

    def _note(
        self, ready_s: float, number: int, level: float, strike: int, striker: str, reason: str
    ) -> None:
        f = self.figures
        velocity = self.velocity(level)
        status = 0x90 | (f.channel - 1)
        note = ModuleNote(
            trigger_s=self._start_s + self._trigger * self.step_s,
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
        self._queue(ready_s, bytes([status, number, velocity]), note)
        off = (
            bytes([status, number, 0]) if f.zero_velocity_off else bytes([status - 16, number, 64])
        )
        self._queue(ready_s + f.note_hold_ms * 1e-3, off, None)

    def _send(self, until_s: float) -> None:
        """Send what has become ready."""
        f = self.figures
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
                self._queue(ready_s + f.sensing_ms * 1e-3, message, None)

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
