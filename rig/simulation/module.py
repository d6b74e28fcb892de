"""The module under test: its inputs and its detector."""

from __future__ import annotations

import collections
import math

import numpy as np
import numpy.typing as npt

from rig.simulation.mixer import Mixer
from rig.simulation.module_figures import ModuleFigures
from rig.simulation.module_ports import ModulePorts
from rig.simulation.noise import Background, generator
from rig.simulation.pad import Pad, StrokeSound

_CHUNK = 4096
_STEPS = 2048  # of a 12-bit converter, to either side
_REMEMBERED_S = 1.5  # how long a stroke may be the cause of a note
_INTERFERENCE_BLOCK_S = 10.0
_LAG_S = 0.5


class Module:
    """The module, fed with strokes; what it sends leaves by its ``ports``.

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
        rng = generator(seed, "module")
        self.step_s = 1.0 / (f.sample_rate_hz * (1.0 + f.clock_ppm * 1e-6))
        self._start_s = float(rng.uniform(-1.0, 0.0)) * self.step_s
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
        self.ports = ModulePorts(f, seed, rng)

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
        self.ports.advance(self._start_s + self._next * self.step_s)
        while self._sounds and self._sounds[0].contact.contact_s < to_s - _REMEMBERED_S:
            self._sounds.popleft()

    def _seek(self, end: int) -> None:
        """Armed: look for the first sample above threshold and re-arming level."""
        first = self._next
        count = min(_CHUNK, end - first)
        if self._quiet(first, end - first):
            self._next = end
            return
        release = max(self.figures.release_ms * 1e-3 / self.step_s, 1e-6)
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
        ready_s = self.ports.poll_after(
            self._start_s + self._window_end * self.step_s + f.processing_ms * 1e-3
        )
        self._note(ready_s, f.note, self._peaks[0], *self._cause())
        if len(self._peaks) > 1:
            floor = max(self._threshold, f.zone_ratio * self._peaks[0])
            if self._peaks[1] > floor:
                strike, striker, _ = self._cause()
                self._note(ready_s, f.second_note, self._peaks[1], strike, striker, "crosstalk")

    def _note(
        self, ready_s: float, number: int, level: float, strike: int, striker: str, reason: str
    ) -> None:
        self.ports.queue_note(
            trigger_s=self._start_s + self._trigger * self.step_s,
            ready_s=ready_s,
            number=number,
            velocity=self.velocity(level),
            strike=strike,
            striker=striker,
            reason=reason,
        )

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
            if sound.bound_after(times[0] - contact.contact_s) < half:
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
