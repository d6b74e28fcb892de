"""A window of sound explained as copies of what single strokes are like: as few as it takes."""

from __future__ import annotations

import dataclasses

import numpy as np
import numpy.typing as npt

from analysis.lone_strokes import Shapes, compare
from analysis.two_strokes import Copies, Grid, alignment, energy, refine, whitening

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Spectra = npt.NDArray[np.complex128]

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
NEAR_S = 0.02
"""As long as more is left than that, the share may be of what is left so soon after it: of a dozen
strokes in one sound none explains much of all."""
LEVEL_MOST = 8.0
MOST_COPIES = 30


@dataclasses.dataclass(frozen=True)
class Explained:
    """A sound as copies of shapes.

    Attributes
    ----------
    copies
        What it is made of; the first at the window's place, if the window began with a stroke.
    left, local
        Energy left, and that left about each moment of the window, over that of the sound; noise
        aside.
    noise
        Share of it that noise is.
    fits
        About as little is left as of lone strokes.
    """

    copies: Copies
    left: float
    local: Floats
    noise: float
    fits: bool


def explain(
    grid: Grid,
    sound: Spectra,
    noise_rms: float,
    shapes: Shapes,
    first: int,
    before: Copies | None = None,
    tails: Spectra | None = None,
    begins: bool = True,
) -> Explained:
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
    before
        Strokes before the window, whose sound was taken off it (delays below 0) and has left some
        of itself there.
    tails
        (tails, frequencies) sound of the last of these in the window: more or less of it may be
        left than nothing.
    begins
        The window begins with a stroke. False: with none, and ``before`` tells the level.
    """
    low, high = grid.delays
    before = before if before is not None else Copies.none()
    level = float(np.sqrt(energy(sound)))
    white = whitening(grid, shapes.spectra[first], level, noise_rms)
    heard, own = sound * white, shapes.spectra * white
    white_tails = None if tails is None else tails * white
    # what is left is held against all that sounds there, with what was taken off it
    whole = 1.0
    if white_tails is not None:
        whole += float(energy(white_tails).sum() / max(float(energy(heard)), 1e-300))
    copies = Copies.none()
    if begins:
        at_first = alignment(grid, heard[None], own[first])
        copies = refine(grid, heard, own, [first], at_first, white_tails)
    threshold = np.maximum(SHARE_LEAST, SHARE_RATIO * shapes.share[first])[:, None]
    start = low if begins else 0
    places = np.arange(start, high)
    unlike = float(shapes.unlike[first])
    while True:
        found, noise = compare(
            grid, sound, shapes.spectra, noise_rms, copies.shape, copies.delay, first, tails
        )
        levels = found.level[:, start:high]
        usual = _usual_level(shapes, before, copies, places, low)
        likely = (levels > SPREADS * usual) & (levels < LEVEL_MOST * _reference(before, copies))
        share = np.where(likely, found.share[:, start:high] / threshold, 0.0)
        for taken in copies.delay[1 if begins else 0 :]:
            share[:, np.abs(places - taken) < low] = 0.0
        if share.max() < 1.0 and not _fits(
            len(copies) + len(before), (found.left - noise) / whole, unlike
        ):
            share *= share * found.left / _near(grid, found.local)[start:high] >= 1.0
            share /= max(float(share.max()), 1e-300)
        which, at = np.unravel_index(int(share.argmax()), share.shape)
        if len(copies) == MOST_COPIES or share[which, at] < 1.0:
            break
        of, delay = [*copies.shape, which], [*copies.delay, float(start + at)]
        more = refine(grid, heard, own, of, delay, white_tails)
        apart = np.diff(np.sort(more.delay)).min(initial=np.inf)
        if apart < 0.9 * low or more.level.min() <= 0.0:
            break
        copies = more
    left = copies.left if len(copies) else found.left
    fits = _fits(len(copies) + len(before), (left - noise) / whole, unlike)
    return Explained(copies, left - noise, found.local - noise, noise, fits)


def _fits(strokes: int, left: float, unlike: float) -> bool:
    """About as little is left as of lone strokes, which differ by ``unlike`` at most."""
    one = strokes <= 1
    least, ratio = (LEFT_ONE, LEFT_ONE_RATIO) if one else (LEFT_MANY, LEFT_MANY_RATIO)
    return left <= min(max(least, ratio * unlike), LEFT_MOST)


def _near(grid: Grid, local: Floats) -> Floats:
    """Energy left soon after each moment, over that of the sound."""
    total = np.cumsum(np.concatenate([np.zeros(grid.pre), local, np.zeros(grid.length)]))
    span = round(NEAR_S * grid.rate_hz)
    first = 2 * grid.pre  # window's place for the onset, in total
    near = total[first + span :][: grid.compared] - total[first:][: grid.compared]
    return np.asarray(np.maximum(near / grid.compared, 1e-300))


def _reference(before: Copies, copies: Copies) -> float:
    """Level that others are held against: of the window's first stroke, or the last before it."""
    return float(copies.level[0] if len(copies) else before.level[-1])


def _usual_level(
    shapes: Shapes, before: Copies, copies: Copies, places: Ints, least: int
) -> Floats:
    """Level (rms) that a copy seems to have by what strokes of a kind differ: (shapes, places)."""
    last = shapes.spread.shape[2] - 1
    power = np.zeros((len(shapes), len(places)))
    for some in (before, copies):
        for of, delay, level in zip(some.shape, some.delay, some.level, strict=True):
            since = places - round(float(delay))
            there = np.flatnonzero((since >= 0) & (since <= last))
            spread = shapes.spread[of][:, np.maximum(since[there], least)]
            power[:, there] += (level * spread) ** 2
    return np.sqrt(power)
