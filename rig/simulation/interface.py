"""The audio interface: its own clock, converter noise, band-limited edges, and lost blocks."""

from __future__ import annotations

import collections
import dataclasses
import functools
import math
from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from rig.capture.audio_block import AudioBlock
from rig.simulation.mixer import Mixer
from rig.simulation.noise import Background, generator
from rig.simulation.pad import Pad, StrokeSound

BLOCK_FRAMES = 4096
ROLES = ("sensor", "second_zone", "marker", "force", "din_line", "module_out")
FORCE_FULL_SCALE_N = 100.0
"""Full scale of the reference force sensor on a ``force`` channel."""

_LEAD = 32  # frames that a band-limited edge reaches to either side
_FINE = 64  # points a frame of its table
_CONVERTER_NOISE = 1e-5  # rms, -100 dB of full scale
_MARKER_LEVEL = 0.5
_LINE_LEVEL = 0.35
_MARKER_NOISE = 3e-4
_EDGE_RMS_S = 4e-6  # width of the divider's rise, as the sigma of its slope
_FROM_MARKER, _FROM_SENSOR = 3e-5, 3e-4  # crosstalk into the sensor, and into the marker


@dataclasses.dataclass(frozen=True, kw_only=True)
class AudioClock:
    """True time of the interface's frames: start + n / (rate (1 + ppm 1e-6))."""

    sample_rate_hz: int
    ppm: float
    start_s: float

    @property
    def step_s(self) -> float:
        """True time from frame to frame."""
        return 1.0 / (self.sample_rate_hz * (1.0 + self.ppm * 1e-6))

    def frame(self, true_s: float) -> float:
        """Frame, with its fraction, at a true time."""
        return (true_s - self.start_s) / self.step_s


@functools.lru_cache(maxsize=8)
def edge_table(sample_rate_hz: int) -> npt.NDArray[np.float64]:
    """Unit step as a converter records it, over -32..+32 frames in 64ths, 0.5 at its middle.

    The step has a Gaussian slope of 4 µs and passes a linear-phase filter to half the sample rate:
    the running integral of a Kaiser-windowed sinc, blurred with the slope.
    """
    fine = np.arange(-_LEAD * _FINE, _LEAD * _FINE + 1) / _FINE
    kernel = 0.9 * np.sinc(0.9 * fine) * np.kaiser(len(fine), 9.0)
    sigma = _EDGE_RMS_S * sample_rate_hz
    reach = np.arange(-6 * _FINE, 6 * _FINE + 1) / _FINE
    blur = np.exp(-0.5 * (reach / sigma) ** 2)
    kernel = np.convolve(kernel, blur / blur.sum(), mode="same")
    # trapezoids, so that the symmetric kernel gives 0.5 at its middle exactly
    step = np.concatenate([[0.0], np.cumsum(0.5 * (kernel[1:] + kernel[:-1]))])
    return np.asarray(step / step[-1])


class EdgeLine:
    """A line of two levels whose edges fall between frames.

    Parameters
    ----------
    sample_rate_hz
        Nominal rate, for the shape of the edges.
    level
        Level before the first edge.
    """

    def __init__(self, sample_rate_hz: int, level: float) -> None:
        self._table = edge_table(sample_rate_hz)
        self._level = level
        self._edges: collections.deque[tuple[float, float]] = collections.deque()

    def add(self, frame: float, height: float) -> None:
        """Add a step of a height at a frame with its fraction, in any order within a block."""
        self._edges.append((frame, height))

    def render(self, first: int, count: int) -> npt.NDArray[np.float32]:
        """Levels of the frames; edges may be added up to 32 frames after them only."""
        out = np.full(count, self._level)
        near = [e for e in self._edges if e[0] < first + count + _LEAD]
        if near:
            frames, heights = np.array(near).T
            places = np.ceil(frames).astype(np.int64)[:, None] + np.arange(-_LEAD, _LEAD)
            at = (places - frames[:, None] + _LEAD) * _FINE
            whole = np.floor(at).astype(np.int64).clip(0, len(self._table) - 2)
            value = self._table[whole] + (at - whole) * np.diff(self._table)[whole]
            inside = (places >= first) & (places < first + count)
            local = (heights[:, None] * value)[inside]
            np.add.at(out, places[inside] - first, local)
            settled = np.zeros(count + 1)
            after = (places[:, -1] + 1 - first).clip(0, count)
            np.add.at(settled, after, heights)
            out += np.cumsum(settled)[:count]
        # edges that no later block still sees become the level
        while self._edges and self._edges[0][0] < first + count - _LEAD - 1:
            self._level += self._edges.popleft()[1]
        return out.astype(np.float32)


class Interface:
    """An audio interface whose inputs come with the simulated bench: an ``AudioSource``.

    Parameters
    ----------
    sample_rate_hz, ppm
        Nominal rate, and the error of its clock.
    roles
        Role of each channel, of ``ROLES``.
    pad
        The pad at its inputs.
    seed
        Of its noise.
    now_s
        Gives true time after having brought the bench up to it.
    drop_at_s
        True times at which the block then running is lost.
    miscount_frames
        By how much the interface's account of each such block is too high; at the least minus a
        block, where the loss goes untold.

    Raises
    ------
    ValueError
        An unknown role, or no channel.
    """

    def __init__(
        self,
        sample_rate_hz: int,
        ppm: float,
        roles: Sequence[str],
        pad: Pad,
        seed: int,
        now_s: Callable[[], float],
        drop_at_s: Sequence[float] = (),
        miscount_frames: int = 0,
    ) -> None:
        strange = [role for role in roles if role not in ROLES]
        if strange or not roles:
            raise ValueError(
                f"audio channels {list(roles)}: each role is one of {', '.join(ROLES)}"
            )
        self.roles = tuple(roles)
        self._rate, self._ppm, self._pad, self._seed = sample_rate_hz, ppm, pad, seed
        self._now_s, self._drop_at_s = now_s, tuple(drop_at_s)
        self._miscount = max(int(miscount_frames), -BLOCK_FRAMES)
        self._off = 0
        self.clock: AudioClock | None = None
        self._running = False
        self._next = 0
        self._lost = 0

    @property
    def sample_rate_hz(self) -> int:
        """Nominal sample rate."""
        return self._rate

    @property
    def channel_count(self) -> int:
        """Number of channels."""
        return len(self.roles)

    def start(self) -> None:
        """Begin to record some milliseconds from now; that frame counts as 0."""
        delay_s = float(generator(self._seed, "interface").uniform(2e-3, 8e-3))
        clock = AudioClock(
            sample_rate_hz=self._rate, ppm=self._ppm, start_s=self._now_s() + delay_s
        )
        self.clock = clock
        f = self._pad.figures
        hum = {"sensor": f.hum, "second_zone": f.hum}
        noise = {"sensor": f.noise_rms, "second_zone": f.noise_rms, "marker": _MARKER_NOISE}
        self._background = [
            Background(
                self._seed,
                f"input {place} {role}",
                math.hypot(noise.get(role, 0.0), _CONVERTER_NOISE),
                hum.get(role, ()),
                clock.start_s,
                clock.step_s,
            )
            for place, role in enumerate(self.roles)
        ]
        self._waves = {role: Mixer() for role in ROLES if role not in ("marker", "din_line")}
        self._lines = {
            "marker": EdgeLine(self._rate, 0.0),
            "din_line": EdgeLine(self._rate, _LINE_LEVEL),
        }
        self._next, self._lost, self._off, self._running = 0, 0, 0, True

    def stop(self) -> None:
        """End the recording; the clock stays known."""
        self._running = False

    # -- what comes in ------------------------------------------------------------------------

    def hear(self, sound: StrokeSound) -> None:
        """Take in one stroke."""
        if self.clock is None or not self._running:
            return
        start_s, step_s = self.clock.start_s, self.clock.step_s
        self._waves["sensor"].add(*sound.render(start_s, step_s))
        if "second_zone" in self.roles and self._pad.figures.crosstalk_share:
            first, wave = sound.render(start_s, step_s, self._pad.figures.crosstalk_delay_s)
            share = np.float32(self._pad.figures.crosstalk_share)
            self._waves["second_zone"].add(first, wave * share)
        if "force" in self.roles:
            first, wave = sound.render_force(start_s, step_s)
            self._waves["force"].add(first, wave / np.float32(FORCE_FULL_SCALE_N))

    def see_marker(self, on_s: float, width_s: float) -> None:
        """Take in one marker pulse."""
        if self.clock is not None and self._running and "marker" in self.roles:
            self._lines["marker"].add(self.clock.frame(on_s), _MARKER_LEVEL)
            self._lines["marker"].add(self.clock.frame(on_s + width_s), -_MARKER_LEVEL)

    def see_din(self, edges: Sequence[tuple[float, int]]) -> None:
        """Take in edges of the DIN line, (true time, +1 or -1)."""
        if self.clock is not None and self._running and "din_line" in self.roles:
            for at_s, direction in edges:
                self._lines["din_line"].add(self.clock.frame(at_s), _LINE_LEVEL * direction)

    def hear_note(self, at_s: float, velocity: int) -> None:
        """Take in the module's own sound of one note: a decaying burst of 440 Hz."""
        if self.clock is None or not self._running or "module_out" not in self.roles:
            return
        frame = self.clock.frame(at_s)
        first = math.ceil(frame)
        t = (first - frame + np.arange(round(0.12 * self._rate))) * self.clock.step_s
        rise = 1.0 - np.exp(-t / 2e-4)
        wave = 0.7 * velocity / 127.0 * rise * np.exp(-t / 0.02) * np.cos(2 * math.pi * 440.0 * t)
        self._waves["module_out"].add(first, wave.astype(np.float32))

    # -- what goes out ------------------------------------------------------------------------

    def read(self) -> list[AudioBlock]:
        """Blocks that are complete by now."""
        return self.read_until(self._now_s()) if self._running else []

    def read_until(self, to_s: float) -> list[AudioBlock]:
        """Blocks that are complete by a true time to which the bench has been brought."""
        blocks: list[AudioBlock] = []
        if self.clock is None:
            return blocks
        # the converter's filter looks some frames ahead
        while self.clock.frame(to_s) >= self._next + BLOCK_FRAMES + _LEAD + 1:
            samples = self._render(self._next)
            begin_s = self.clock.start_s + self._next * self.clock.step_s
            end_s = begin_s + BLOCK_FRAMES * self.clock.step_s
            if any(begin_s <= at < end_s for at in self._drop_at_s):
                self._lost += BLOCK_FRAMES + self._miscount
                self._off += self._miscount
            else:
                first = self._next + self._off
                blocks.append(
                    AudioBlock(first_frame=first, samples=samples, dropped_frames=self._lost)
                )
                self._lost = 0
            self._next += BLOCK_FRAMES
        return blocks

    def _render(self, first: int) -> npt.NDArray[np.float32]:
        wave = {role: m.view(first, BLOCK_FRAMES) for role, m in self._waves.items()}
        lines = {
            role: line.render(first, BLOCK_FRAMES)
            for role, line in self._lines.items()
            if role in self.roles
        }
        out = np.empty((BLOCK_FRAMES, len(self.roles)), dtype=np.float32)
        for place, role in enumerate(self.roles):
            signal = lines[role] if role in lines else wave[role]
            if role == "marker":
                signal = signal + np.float32(_FROM_SENSOR) * wave["sensor"]
            elif role == "sensor" and "marker" in lines:
                signal = signal + np.float32(_FROM_MARKER) * lines["marker"]
            np.add(signal, self._background[place].take(first, BLOCK_FRAMES), out=out[:, place])
        for mixer in self._waves.values():
            mixer.forget(first + BLOCK_FRAMES)
        return np.clip(out, -1.0, 1.0, out=out)
