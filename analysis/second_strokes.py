"""Strokes that hide in the sound of the one before, found by what single ones are like.

For recordings of which nothing else is known. A stroke in the sound of another is no newer than
that sound is at any moment; but the take holds more strokes of the same kind, and those that stand
alone tell what one of them is like and by how much they differ. A sound that no single one
explains, and two or more do as well as they explain one another, is that of several strokes. What
was taken for a stroke, and every single one of its kind has there too, is none.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import numpy.typing as npt
import scipy.signal
from scipy.special import stdtrit

from analysis.lone_strokes import LEAST_LONE, Shapes, compare, learn_shapes
from analysis.novelty import CLIP_LEVEL
from analysis.onsets import Onsets
from analysis.stroke_start import Stretch
from analysis.two_strokes import (
    LEAST_DELAY_S,
    MOST_DELAY_S,
    Copies,
    Grid,
    alignment,
    energy,
    moved,
    refine,
    whitening,
)

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Spectra = npt.NDArray[np.complex128]

LEAST_RATE_HZ = 44_000.0
"""Windows are thinned out to no less."""
FILTER_HALF = 16
ALONE_S = 0.12
"""A stroke stands alone if nothing was found so long before and after it."""
MOST_LONE, KEPT_LONE = 40, 4
"""So many lone strokes are compared with one another; so many of a shape are kept for later."""
BATCH = 256
"""So many onsets are held at most until they are looked at together."""
SHARE_LEAST, SHARE_RATIO = 0.15, 3.0
"""A further copy is a stroke if it explains so much of what a single one leaves, and so many times
the most that it explains of any lone stroke of the shape ..."""
SPREADS = 12.0
"""... and its level is so many times what lone strokes seem to have there ..."""
LEFT_MANY, LEFT_MANY_RATIO = 0.15, 8.0
"""... and what then is left is at most so much, or so many times the most of any lone stroke ..."""
LEFT_MOST = 0.5
"""... and never more than this."""
LEFT_ONE, LEFT_ONE_RATIO = 0.05, 3.0
"""The same where one copy is enough: that nothing else is in the sound is to be told as well."""
LEVEL_MOST = 8.0
MOST_COPIES = 12
SAME_S = 0.001
"""A copy and an onset so near to each other are one stroke."""
OWN_RATIO = 2.0
"""An onset is the single stroke's own if near it at most so many times the most of any lone stroke
is left."""
OWN_S = 0.005
PEAK_S = 0.05


@dataclasses.dataclass(frozen=True)
class Explained:
    """A sound as copies of shapes.

    Attributes
    ----------
    copies
        What it is made of.
    left, local
        Energy left, and that left about each moment of the window, over that of the sound; noise
        aside.
    noise
        Share of it that noise is.
    unlike
        Most that lone strokes of the first one's shape differ by.
    """

    copies: Copies
    left: float
    local: Floats
    noise: float
    unlike: float

    @property
    def fits(self) -> bool:
        """About as well as lone strokes do."""
        one = len(self.copies) == 1
        least, ratio = (LEFT_ONE, LEFT_ONE_RATIO) if one else (LEFT_MANY, LEFT_MANY_RATIO)
        return self.left <= min(max(least, ratio * self.unlike), LEFT_MOST)


def explain(grid: Grid, sound: Spectra, noise_rms: float, shapes: Shapes, first: int) -> Explained:
    """Explain a sound by as few strokes as it takes.

    Parameters
    ----------
    grid
        Lengths.
    sound
        (frequencies,), its first onset at the window's place for it.
    noise_rms
        Of the window's samples.
    shapes
        What single strokes are like.
    first
        Which of them the first stroke is.
    """
    low, high = grid.delays
    level = float(np.sqrt(energy(sound)))
    white = whitening(grid, shapes.spectra[first], level, noise_rms)
    heard, own = sound * white, shapes.spectra * white
    copies = refine(grid, heard, own, [first], alignment(grid, heard[None], own[first]))
    threshold = np.maximum(SHARE_LEAST, SHARE_RATIO * shapes.share[first])[:, None]
    places = np.arange(low, high)
    while True:
        found, noise = compare(grid, sound, shapes.spectra, noise_rms, copies.shape, copies.delay)
        levels = found.level[:, low:high]
        likely = (levels > SPREADS * shapes.spread[first, :, low:]) & (levels < LEVEL_MOST)
        share = np.where(likely, found.share[:, low:high] / threshold, 0.0)
        for taken in copies.delay[1:]:
            share[:, np.abs(places - taken) < low] = 0.0
        which, at = np.unravel_index(int(share.argmax()), share.shape)
        if len(copies) == MOST_COPIES or share[which, at] < 1.0:
            break
        more = refine(grid, heard, own, [*copies.shape, which], [*copies.delay, float(low + at)])
        if np.diff(np.sort(more.delay)).min() < 0.9 * low or more.level.min() <= 0.0:
            break
        copies = more
    return Explained(
        copies, copies.left - noise, found.local - noise, noise, float(shapes.unlike[first])
    )


class SecondStrokes:
    """Looks for strokes in the sound of others; memory does not grow with the recording.

    Parameters
    ----------
    sample_rate_hz
        Of the recording.
    """

    def __init__(self, sample_rate_hz: float) -> None:
        self._step = max(1, int(sample_rate_hz // LEAST_RATE_HZ))
        self._rate_hz = float(sample_rate_hz)
        self._grid = Grid(sample_rate_hz / self._step)
        self._taps = np.ones(1)
        if self._step > 1:
            half, edge = FILTER_HALF * self._step // 2, 0.42 * LEAST_RATE_HZ
            self._taps = scipy.signal.firwin(2 * half + 1, edge, fs=sample_rate_hz)
        self._onsets: list[Onsets] = []
        self._windows: list[npt.NDArray[np.float32]] = []
        self._lone: list[tuple[Spectra, float, float]] = []  # with noise and u of the onset
        self._last_frame = -np.inf
        self.told = 0
        """Strokes, with what follows each, that could be held against single ones ..."""
        self.untold = 0
        """... and those that could not."""

    def take(self, onsets: Onsets, stretch: Stretch, first_frame: int) -> Onsets:
        """Take the next onsets in; gives those that are settled.

        Parameters
        ----------
        onsets
            In frames of the recording.
        stretch, first_frame
            Samples about them, to ``POST_S`` after the last, and where in the recording they begin.
        """
        if len(onsets):
            self._onsets.append(onsets)
        for frame in onsets.frame:
            self._windows.append(self._window(stretch, float(frame) - first_frame))
        if len(self._windows) < BATCH:
            return Onsets.join([])
        held = Onsets.join(self._onsets)
        apart = np.flatnonzero(np.diff(held.frame) > ALONE_S * self._rate_hz)
        return self._settle(int(apart[-1]) + 1 if len(apart) else len(held))

    def finish(self) -> Onsets:
        """Give the rest of them."""
        return self._settle(len(self._windows))

    @property
    def remark(self) -> str:
        """What could not be told; empty if all could."""
        if not self.untold:
            return ""
        ms = f"{LEAST_DELAY_S * 1e3:.0f} to {MOST_DELAY_S * 1e3:.0f} ms"
        return (
            f"of {self.told + self.untold} strokes {self.untold} are unlike any {LEAST_LONE} lone "
            f"strokes of the recording: whether others hide {ms} after these can't be told. Give a "
            f"plan, or record lone strokes of each kind, {ALONE_S * 1e3:.0f} ms from any other"
        )

    def _window(self, stretch: Stretch, frame: float) -> npt.NDArray[np.float32]:
        """Samples from a little before an onset on, thinned out."""
        first = int(np.floor(frame)) - self._grid.pre * self._step
        half = len(self._taps) // 2
        raw = stretch.clean(first - half, first + self._grid.length * self._step + half)
        smooth = np.convolve(raw, self._taps, "valid") if half else raw
        return smooth[:: self._step][: self._grid.length].astype(np.float32)

    def _spectra(self, windows: list[npt.NDArray[np.float32]], frame: Floats) -> Spectra:
        """Of windows, each with its onset at the window's place for it."""
        late = (frame - np.floor(frame)) / self._step
        return moved(self._grid, self._grid.spectrum(np.array(windows, dtype=np.float64)), -late)

    def _settle(self, count: int) -> Onsets:
        """Look at the first so many of what is held, and let them go."""
        held = Onsets.join(self._onsets)
        if not count:
            return held
        windows, frame = self._windows[:count], held.frame[:count]
        spectra = self._spectra(windows, frame)
        noise = held.noise_rms[:count] * float(np.sqrt(np.sum(self._taps**2)))
        around = np.concatenate([[self._last_frame], held.frame, [np.inf]])
        alone = np.diff(around) > ALONE_S * self._rate_hz
        shapes, place, place_u = self._learn(
            spectra, noise, held.u_frames, np.flatnonzero(alone[:count] & alone[1 : count + 1])
        )
        parts: list[Onsets] = []
        k = 0
        while k < count:
            stop = k + int(np.searchsorted(frame[k:], frame[k] + MOST_DELAY_S * self._rate_hz))
            stop = max(stop, k + 1)
            group = held.picked(np.arange(k, stop))
            best = self._explained(spectra[k], noise[k], shapes)
            if best is None:
                self.untold += 1
                parts.append(group)
            else:
                self.told += 1
                of = best.copies.shape
                usual = shapes.local[of[0]]
                parts.append(self._mended(group, windows[k], best, usual, place[of], place_u[of]))
            k = stop
        self._last_frame = float(frame[-1])
        self._onsets = [held.picked(np.arange(count, len(held)))]
        self._windows = self._windows[count:]
        return Onsets.join(parts)

    def _learn(
        self, spectra: Spectra, noise: Floats, u_frames: Floats, some: Ints
    ) -> tuple[Shapes, Floats, Floats]:
        """Shapes; and for each the place (samples) of its onset, with the uncertainty of that."""
        room = MOST_LONE - len(self._lone)
        if len(some) > room:
            some = some[np.linspace(0, len(some) - 1, room).astype(np.int64)]
        known = [*self._lone, *((spectra[k], float(noise[k]), float(u_frames[k])) for k in some)]
        lone = np.array([one[0] for one in known]).reshape(len(known), len(self._grid.turn))
        shapes = learn_shapes(self._grid, lone, np.array([one[1] for one in known]))
        self._lone = [known[k] for members in shapes.members for k in members[-KEPT_LONE:]]
        u = np.array([one[2] for one in known]) / self._step
        place, place_u = np.zeros(len(shapes)), np.zeros(len(shapes))
        for k, (members, late) in enumerate(zip(shapes.members, shapes.place, strict=True)):
            # one sound's onsets may all be off the same way: their uncertainties don't average
            own_u = float(np.sqrt(np.mean(u[members] ** 2)))
            n = len(late)
            widen = float(stdtrit(n - 1, 0.975)) / 1.96 * np.sqrt(1.0 + 1.0 / n)
            place[k] = -float(late.mean())
            place_u[k] = max(own_u, widen * float(late.std(ddof=1)))
        return shapes, place, place_u

    def _explained(self, sound: Spectra, noise_rms: float, shapes: Shapes) -> Explained | None:
        """Best explanation; None if none does."""
        tried = [
            explain(self._grid, sound, noise_rms, shapes, first) for first in range(len(shapes))
        ]
        fitting = [one for one in tried if one.fits]
        return min(fitting, key=lambda one: one.left) if fitting else None

    def _mended(
        self,
        group: Onsets,
        window: npt.NDArray[np.float32],
        explained: Explained,
        usual: Floats,
        place: Floats,
        place_u: Floats,
    ) -> Onsets:
        """One stroke and what was found soon after it, set right by what explains its sound."""
        rate, copies = self._rate_hz, explained.copies
        order = np.argsort(copies.delay[1:]) + 1
        at = group.frame[0] + (copies.delay[order] + place[order]) * self._step
        u = np.hypot(copies.u_delay[order], place_u[order]) * self._step
        found = group.frame[1:]
        away = np.abs(found[:, None] - at)
        foreign = [
            k
            for k in range(len(found))
            if (away[k] > SAME_S * rate).all()
            and not self._is_own(float(found[k] - group.frame[0]) / self._step, explained, usual)
        ]
        if not len(at):
            return group.picked(np.array([0, *(k + 1 for k in foreign)], dtype=np.int64))
        starts = np.array([group.frame[0], *at])
        ends = np.append(starts[1:], starts[-1] + PEAK_S * rate)
        peak, peak_frame = np.zeros(len(starts)), np.zeros(len(starts))
        for k, (begin, end) in enumerate(zip(starts, ends, strict=True)):
            low = self._grid.pre + int((begin - group.frame[0]) / self._step)
            high = self._grid.pre + int((end - group.frame[0]) / self._step)
            size = np.abs(window[low : max(high, low + 1)])
            peak[k] = float(size.max(initial=0.0))
            peak_frame[k] = begin + (int(size.argmax()) if len(size) else 0) * self._step
        noise_rms = np.full(len(starts), group.noise_rms[0])
        made = Onsets(
            frame=starts,
            u_frames=np.array([group.u_frames[0], *u]),
            peak=peak,
            peak_frame=peak_frame,
            snr_db=20.0 * np.log10(np.maximum(peak, 1e-12) / noise_rms),
            clipped=peak >= CLIP_LEVEL,
            noise_rms=noise_rms,
        )
        both = Onsets.join([made, group.picked(np.array(foreign, dtype=np.int64) + 1)])
        return both.picked(np.argsort(both.frame, kind="stable"))

    def _is_own(self, delay: float, explained: Explained, usual: Floats) -> bool:
        """Nothing is left about an onset that single strokes don't leave there too."""
        low = self._grid.pre + round(delay - SAME_S * self._grid.rate_hz)
        near = slice(max(low, 0), low + round(OWN_S * self._grid.rate_hz))
        left = explained.local[near]
        if not len(left):
            return False
        most = OWN_RATIO * float(usual[near].max()) + explained.noise
        return bool(left.max() <= most)
