"""Strokes that follow one another, each in the sound of those before, told one after the other.

A window begins with a stroke that is known. What it and those soon after it are is told by the
shapes; the surest of these, which have most of their sound in the window, are settled, their sound
is taken off the recording, tail and all, and the next window begins with the last of them.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import numpy.typing as npt

from analysis.explained import Explained, explain
from analysis.kept_sound import KeptSound
from analysis.lone_strokes import Shapes
from analysis.stroke_sound import StrokeSounds
from analysis.two_strokes import Copies, Grid, moved

Floats = npt.NDArray[np.float64]
Spectra = npt.NDArray[np.complex128]

FIRM_S = 0.05
"""Strokes so soon after a window's begin are settled; of later ones too little is in it."""
STEP_S = 0.048
"""Where no stroke is, the next window begins so much later."""
SAME_S = 0.001
"""What is left about an onset is looked at from so long before it."""
OWN_RATIO = 2.0
"""An onset is the single strokes' own if near it at most so many times the most of any lone stroke
is left."""
OWN_S = 0.005
QUIET_SHARE, QUIET_NOISE = 0.01, 2.0
"""Nothing is looked for where what is left has less of the last stroke's energy and the noise's."""
MOST_BEFORE = 30
TAILS = 10
"""Of so many strokes before a window the tail may be weaker or stronger than that of lone ones."""


@dataclasses.dataclass(frozen=True)
class Settled:
    """A stroke whose sound is known: place and standard uncertainty in samples, shape and level."""

    place: float
    u_place: float
    shape: int
    level: float


Window = tuple[float, Settled | None, Explained | None]
"""Its place for the onset, the stroke there, if one is there, and what it is made of, if told."""


@dataclasses.dataclass
class Told:
    """Strokes of some onsets and of what follows them.

    Attributes
    ----------
    copies
        Strokes that were told by their sound.
    heard
        Places of onsets, among those given, that stand as they were heard.
    told, untold
        Windows that could be held against single strokes, and those that could not.
    """

    copies: list[Settled]
    heard: list[int]
    told: int
    untold: int


class Trains:
    """Tells strokes one after the other.

    Parameters
    ----------
    grid
        Lengths of windows.
    left
        The sound; what is told is taken off it.
    noise_rms
        Of its samples.
    shapes, sounds
        What single strokes are like.
    u_shapes
        (shapes,) standard uncertainty of where each one's onset is.
    """

    def __init__(
        self,
        grid: Grid,
        left: KeptSound,
        noise_rms: float,
        shapes: Shapes,
        sounds: StrokeSounds,
        u_shapes: Floats,
    ) -> None:
        self._grid, self._left, self._noise_rms = grid, left, noise_rms
        self._shapes, self._sounds, self._u_shapes = shapes, sounds, u_shapes
        self._firm, self._step = FIRM_S * grid.rate_hz, STEP_S * grid.rate_hz
        self._same = SAME_S * grid.rate_hz
        self._settled: list[Settled] = []
        self._onsets, self._u_onsets, self._stop, self._next = np.zeros(0), np.zeros(0), 0.0, 0
        self._own: set[int] = set()
        self._told = Told([], [], 0, 0)

    def tell(self, onsets: Floats, u_onsets: Floats, stop: float) -> Told:
        """Tell the strokes at onsets and what follows them.

        Parameters
        ----------
        onsets, u_onsets
            (n,) places in samples, in order, and their standard uncertainties.
        stop
            Nothing from there on is told.
        """
        self._onsets, self._u_onsets, self._stop, self._next = onsets, u_onsets, stop, 0
        self._own = set()
        self._told = Told([], [], 0, 0)
        while self._next < len(onsets):
            best = self._begun()
            while best is not None:
                best = self._after(*best)
        return self._told

    def _begun(self) -> Window | None:
        """The window that begins at the next onset; None if nothing is like it."""
        k, place = self._next, float(self._onsets[self._next])
        tried = [self._explain(place, first) for first in range(len(self._shapes))]
        fitting = [one for one in tried if one is not None]
        if not fitting:
            self._told.untold += 1
            self._next = int(np.searchsorted(self._onsets, place + self._grid.delays[1]))
            self._next = max(self._next, k + 1)
            self._told.heard.extend(range(k, self._next))
            return None
        self._told.told += 1
        best = min(fitting, key=lambda one: one.left)
        first = self._strokes(place, best.copies)[0]
        # of one that stands alone its kind tells nothing that its own onset does not
        if self._sounding(place) and first.u_place < self._u_onsets[k]:
            self._told.copies.append(first)
        else:
            self._told.heard.append(k)
        self._next += 1
        return place, first, best

    def _after(
        self, place: float, begin: Settled | None, explained: Explained | None
    ) -> Window | None:
        """Settle the first strokes of a window; gives the window after it."""
        later: list[Settled] = []
        if explained is not None:
            later = self._strokes(place, explained.copies)
            if begin is not None:
                begin, later = later[0], later[1:]
                self._mark_own(place, explained)
        later = sorted((one for one in later if one.place < self._stop), key=lambda one: one.place)
        firm = [one for one in later if one.place <= place + self._firm]
        strokes = later if begin is None else [begin, *later]
        waiting = self._pass_onsets(place + self._firm, strokes, begin is not None)
        self._told.copies.extend(firm)
        done = firm if begin is None else [begin, *firm]
        for one in done[:-1] if firm else done:
            self._take_off(one)
        if firm:
            return self._window(done[-1])
        if waiting and begin is None:
            return None
        return self._scan(place + self._step)

    def _window(self, begin: Settled) -> Window:
        """The window that begins with a stroke already told."""
        explained = self._explain(begin.place, begin.shape)
        if explained is None:
            self._told.untold += 1
        else:
            self._told.told += 1
        return begin.place, begin, explained

    def _scan(self, place: float) -> Window | None:
        """The next window that begins with no stroke and may hold one; None if there is none."""
        last = self._settled[-1]
        # further on some of its tail is not known, and would be taken for strokes
        known = self._sounds.length[last.shape] - self._grid.delays[1]
        stop = min(last.place + known, self._stop)
        while place < stop:
            if not self._is_quiet(place, last):
                return place, None, self._explain(place, last.shape, begins=False)
            if self._next < len(self._onsets) and self._onsets[self._next] < place + self._firm:
                return None
            place += self._step
        return None

    def _pass_onsets(self, stop: float, strokes: list[Settled], begins: bool) -> bool:
        """Go past the onsets up to a place; True if one waits there that no window told.

        Nearer to a stroke told than strokes can be, it is that one.
        """
        at = np.array([one.place for one in strokes])
        least = self._grid.delays[0]
        while self._next < len(self._onsets) and self._onsets[self._next] <= stop:
            near = at[np.abs(at - self._onsets[self._next]) < least]
            if not len(near) and self._next not in self._own:
                if not begins:
                    return True
                self._told.heard.append(self._next)
            elif len(near) and near.min() > stop:
                break
            self._next += 1
        return False

    def _spectra(self, windows: list[Floats], place: float) -> Spectra:
        """Of windows whose place for the onset is there."""
        late = place - np.floor(place)
        return moved(self._grid, self._grid.spectrum(np.array(windows)), np.full(1, -late))

    def _tail(self, stroke: Settled, first: int) -> Floats:
        """Sound of a stroke in a later window, of its level."""
        own = int(np.floor(stroke.place))
        sound = self._sounds.at(stroke.shape, stroke.place - own)[first - own :]
        out = np.zeros(self._grid.length)
        out[: len(sound)] = stroke.level * sound[: len(out)]
        return out

    def _sounding(self, place: float) -> list[Settled]:
        """Strokes told before a place whose sound lasts until there."""
        return [
            one
            for one in self._settled[-MOST_BEFORE:]
            if one.place < place < one.place + self._sounds.length[one.shape]
        ]

    def _explain(self, place: float, first: int, begins: bool = True) -> Explained | None:
        """What a window is made of; None if that is not told."""
        some = self._sounding(place)
        before = Copies(
            np.array([one.shape for one in some], dtype=np.int64),
            np.array([one.place - place for one in some]),
            np.zeros(len(some)),
            np.array([one.level for one in some]),
            1.0,
        )
        first_sample = int(np.floor(place))
        window = self._left.window(first_sample - self._grid.pre, self._grid.length)
        sound, tails = self._spectra([window], place)[0], None
        if some:
            tails = self._spectra([self._tail(one, first_sample) for one in some[-TAILS:]], place)
        found = explain(
            self._grid, sound, self._noise_rms, self._shapes, first, before, tails, begins
        )
        if not begins and len(found.copies) and not found.fits:
            self._told.untold += 1  # something is there, and can't be told
        return found if found.fits else None

    def _strokes(self, place: float, copies: Copies) -> list[Settled]:
        """Copies as strokes."""
        u = np.hypot(copies.u_delay, self._u_shapes[copies.shape])
        return [
            Settled(place + float(delay), float(u_delay), int(shape), float(level))
            for delay, u_delay, shape, level in zip(
                copies.delay, u, copies.shape, copies.level, strict=True
            )
        ]

    def _take_off(self, stroke: Settled) -> None:
        """Take a stroke's sound off what is left."""
        first = int(np.floor(stroke.place))
        sound = self._sounds.at(stroke.shape, stroke.place - first)
        self._left.add(first - self._grid.pre, -stroke.level * sound)
        self._settled.append(stroke)

    def _is_quiet(self, place: float, last: Settled) -> bool:
        """Too little is left for another stroke."""
        begin = int(place) - self._grid.pre
        size = self._grid.pre + self._grid.delays[1]
        left = float(np.sum(self._left.window(begin, size) ** 2))
        own = QUIET_SHARE * last.level**2 * self._sounds.energy[last.shape]
        return left < own + QUIET_NOISE * size * self._noise_rms**2

    def _mark_own(self, place: float, explained: Explained) -> None:
        """Onsets about which nothing is left that single strokes don't leave there too are none."""
        grid, copies = self._grid, explained.copies
        usual = np.zeros(grid.compared)
        for shape, delay, level in zip(copies.shape, copies.delay, copies.level, strict=True):
            later = max(round(float(delay)), 0)
            local = self._shapes.local[shape]
            usual[later:] += level**2 * local[: len(local) - later]
        usual /= float(np.sum(copies.level**2))
        for k in range(self._next, len(self._onsets)):
            delay = self._onsets[k] - place
            if delay > grid.delays[1]:
                break
            low = grid.pre + round(delay - self._same)
            if low < 0:
                continue  # this window says nothing about it
            near = slice(low, low + round(OWN_S * grid.rate_hz))
            if len(usual[near]):
                most = OWN_RATIO * float(usual[near].max()) + explained.noise
                if explained.local[near].max() <= most:
                    self._own.add(k)
