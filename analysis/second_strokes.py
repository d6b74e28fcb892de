"""Strokes that hide in the sound of those before, found by what single ones are like.

For recordings of which nothing else is known. A stroke in the sound of another is no newer than
that sound is at any moment; but the take holds more strokes of the same kind, and those that stand
alone tell what one of them is like and by how much they differ. A sound that no single one
explains, and two or more do as well as they explain one another, is that of several strokes. What
was taken for a stroke, and every single one of its kind has there too, is none.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

from analysis.kept_sound import KeptSound
from analysis.lone_strokes import LEAST_LONE, Shapes, learn_shapes
from analysis.onsets import Onsets
from analysis.stretch import Stretch
from analysis.stroke_sound import TAIL_S, LoneSound, StrokeSounds, learn_sounds
from analysis.trains import Told, Trains
from analysis.two_strokes import LEAST_DELAY_S, Grid, moved
from rig.record.full_scale import CLIP_LEVEL

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

ALONE_S = 0.12
"""A stroke stands alone if nothing was found so long before and after it."""
UNSURE_S = 0.0003
"""Where enough lone strokes have surer onsets, none teaches whose own is less sure."""
APART_S = 0.005
"""What is known of a stroke ends so long before the next."""
MOST_LONE, KEPT_LONE = 40, 4
"""So many lone strokes are compared with one another; so many of a shape are kept for later."""
BATCH = 256
"""So many onsets are held at most until they are looked at together ..."""
HELD_S = 60.0
"""... or so much sound."""
PEAK_S = 0.05


class SecondStrokes:
    """Looks for strokes in the sound of others; memory does not grow with the recording.

    Parameters
    ----------
    sample_rate_hz
        Of the recording.
    """

    def __init__(self, sample_rate_hz: float) -> None:
        self._rate_hz = float(sample_rate_hz)
        self._kept = KeptSound(sample_rate_hz)
        self._step = self._kept.step
        self._grid = Grid(self._kept.rate_hz)
        self._onsets = Onsets.join([])
        self._lone: list[LoneSound] = []
        self._last_frame = -np.inf
        self.told = 0
        """Strokes, with what follows each, that could be held against single ones ..."""
        self.untold = 0
        """... and those that could not."""

    def take(
        self, onsets: Onsets, stretch: Stretch, first_frame: int, low: int, stop: int
    ) -> Onsets:
        """Take the next stretch in; gives the onsets that are settled.

        Parameters
        ----------
        onsets
            Found in it, in frames of the recording.
        stretch, first_frame
            Its samples, and where in the recording they begin.
        low, stop
            Samples of it that are taken: no other stretch gives these.
        """
        self._onsets = Onsets.join([self._onsets, onsets])
        so_far = np.append(self._last_frame, self._onsets.frame)
        self._kept.hear(stretch, first_frame, low, stop, so_far)
        full = self._kept.kept_s >= HELD_S
        if len(self._onsets) < BATCH and not full:
            return Onsets.join([])
        apart = np.flatnonzero(np.diff(self._onsets.frame) > ALONE_S * self._rate_hz)
        if len(apart):
            # what follows the last one is still to be heard
            return self._settle(int(apart[-1]) + 1)
        return self._settle(len(self._onsets) - (not full))

    def finish(self) -> Onsets:
        """Give the rest of them."""
        return self._settle(len(self._onsets))

    @property
    def remark(self) -> str:
        """What could not be told; empty if all could."""
        if not self.untold:
            return ""
        ms = f"{LEAST_DELAY_S * 1e3:.0f} ms or more"
        return (
            f"of {self.told + self.untold} strokes {self.untold} are unlike any {LEAST_LONE} lone "
            f"strokes of the recording: whether others hide {ms} after these can't be told. Give a "
            f"plan, or record lone strokes of each kind, {ALONE_S * 1e3:.0f} ms from any other"
        )

    def _settle(self, count: int) -> Onsets:
        """Look at the first so many of what is held, and let them go."""
        held = self._onsets
        after = float(held.frame[count]) / self._step if count < len(held) else self._kept.end
        if not count:
            self._kept.forget(after - 2 * self._grid.pre)
            return held.picked(np.zeros(0, dtype=np.int64))
        some = held.picked(np.arange(count))
        noise_rms = float(np.median(some.noise_rms)) * self._kept.noise_share
        shapes, sounds, place, place_u = self._learn(held, count)
        left = self._kept.copy()
        trains = Trains(self._grid, left, noise_rms, shapes, sounds, place_u)
        told = trains.tell(some.frame / self._step, some.u_frames / self._step, after)
        self.told, self.untold = self.told + told.told, self.untold + told.untold
        self._last_frame = float(some.frame[-1])
        made = self._made(some, told, place)
        self._onsets = held.picked(np.arange(count, len(held)))
        # what is told now sounds on in what comes next
        self._kept = left
        self._kept.forget(after - 2 * self._grid.pre)
        return made

    def _learn(self, held: Onsets, count: int) -> tuple[Shapes, StrokeSounds, Floats, Floats]:
        """Shapes and their sounds; the place (samples) of each one's onset, and how well."""
        around = np.concatenate([[self._last_frame], held.frame, [self._kept.end * self._step]])
        apart = np.diff(around)
        alone = apart > ALONE_S * self._rate_hz
        alone[-1] = True
        some = np.flatnonzero(alone[:count] & alone[1 : count + 1])
        sure = some[held.u_frames[some] <= UNSURE_S * self._rate_hz]
        some = sure if len(sure) >= LEAST_LONE else some
        room = MOST_LONE - len(self._lone)
        if len(some) > room:
            some = some[np.linspace(0, len(some) - 1, room).astype(np.int64)]
        for one in some.tolist():
            self._lone.append(self._lone_sound(held, one, float(apart[one + 1])))
        lone, grid = self._lone, self._grid
        spectra = np.array([one.spectrum for one in lone]).reshape(len(lone), len(grid.turn))
        shapes = learn_shapes(grid, spectra, np.array([one.noise_rms for one in lone]))
        sounds = learn_sounds(grid, lone, shapes)
        u = np.array([one.u_onset for one in lone])
        place, place_u = np.zeros(len(shapes)), np.zeros(len(shapes))
        for k, (members, late) in enumerate(zip(shapes.members, shapes.place, strict=True)):
            # one sound's onsets may all be off the same way: their uncertainties don't average
            own_u = float(np.sqrt(np.mean(u[members] ** 2)))
            n = len(late)
            widen = float(stdtrit(n - 1, 0.975)) / 1.96 * np.sqrt(1.0 + 1.0 / n)
            place[k] = -float(late.mean())
            place_u[k] = max(own_u, widen * float(late.std(ddof=1)))
        self._lone = [lone[k] for members in shapes.members for k in members[-KEPT_LONE:]]
        return shapes, sounds, place, place_u

    def _lone_sound(self, held: Onsets, k: int, frames: float) -> LoneSound:
        """One that stands alone; ``frames`` until the next, or until nothing more was heard."""
        grid, at = self._grid, float(held.frame[k]) / self._step
        first = int(np.floor(at)) - grid.pre
        known = round(min((frames / self._rate_hz - APART_S), TAIL_S) * grid.rate_hz)
        samples = self._kept.window(first, grid.pre + max(known, grid.length - grid.pre))
        late = at - np.floor(at)
        spectrum = moved(grid, grid.spectrum(samples[: grid.length]), -late)
        return LoneSound(
            spectrum,
            samples.astype(np.float32),
            late,
            float(held.noise_rms[k]) * self._kept.noise_share,
            float(held.u_frames[k]) / self._step,
        )

    def _made(self, heard: Onsets, told: Told, place: Floats) -> Onsets:
        """Onsets of all strokes told, and of those that stand as they were heard."""
        own = heard.picked(np.array(told.heard, dtype=np.int64))
        if not told.copies:
            return own
        frame = np.array([(one.place + place[one.shape]) * self._step for one in told.copies])
        u_frames = np.array([one.u_place * self._step for one in told.copies])
        n = len(frame)
        near = np.searchsorted(heard.frame, frame).clip(0, len(heard) - 1)
        new = Onsets(
            frame=frame,
            u_frames=u_frames,
            peak=np.zeros(n),
            peak_frame=np.zeros(n),
            snr_db=np.zeros(n),
            clipped=np.zeros(n, dtype=bool),
            noise_rms=heard.noise_rms[near],
        )
        both = Onsets.join([own, new])
        both = both.picked(np.argsort(both.frame, kind="stable"))
        return self._with_peaks(both, heard)

    def _with_peaks(self, onsets: Onsets, heard: Onsets) -> Onsets:
        """The same, each with its largest magnitude until the next."""
        begin = onsets.frame / self._step
        end = np.minimum(np.append(begin[1:], np.inf), begin + PEAK_S * self._grid.rate_hz)
        peak, peak_frame = np.zeros(len(begin)), np.zeros(len(begin))
        for k, (low, high) in enumerate(zip(begin.astype(int), end.astype(int), strict=True)):
            size = np.abs(self._kept.window(low, max(high - low, 1)))
            peak[k] = float(size.max())
            peak_frame[k] = (low + int(size.argmax())) * self._step
        # what is kept is smoothed where it is thinned out: as heard, a peak is that of the samples
        by_peak = heard.picked(np.argsort(heard.peak))
        own = np.searchsorted(onsets.frame, by_peak.peak_frame, side="right") - 1
        away = np.abs(onsets.frame[own] - by_peak.frame)
        same = (away < LEAST_DELAY_S * self._rate_hz) | by_peak.clipped
        same &= own >= 0
        peak[own[same]], peak_frame[own[same]] = by_peak.peak[same], by_peak.peak_frame[same]
        return Onsets(
            frame=onsets.frame,
            u_frames=onsets.u_frames,
            peak=peak,
            peak_frame=peak_frame,
            snr_db=20.0 * np.log10(np.maximum(peak, 1e-12) / onsets.noise_rms),
            clipped=peak >= CLIP_LEVEL,
            noise_rms=onsets.noise_rms,
        )
