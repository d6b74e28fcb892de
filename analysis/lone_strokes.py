"""What one stroke of a take sounds like, and what strokes differ by, from those that stand alone.

Strokes with silence about them are compared with one another. Those that are alike are of one
shape; each held against the mean of the others shows what nature varies, and how far a further copy
of the shape would seem to explain that. A shape that is itself made of copies of another is none:
its strokes were double.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import numpy.typing as npt
from scipy.ndimage import uniform_filter1d

from analysis.two_strokes import (
    Gains,
    Grid,
    alignment,
    energy,
    gains,
    moved,
    whitening,
)

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Spectra = npt.NDArray[np.complex128]

LEAST_LONE = 3
"""Lone strokes of a shape from which on something is said by it."""
MOST_SHAPES = 6
ALIKE_SHARE = 0.15
"""Strokes are alike if a further copy explains less than this share of what they differ by ..."""
ALIKE_LEFT = 0.5
"""... and that is less than this share of them."""
COMPOSITE_SHARE = 0.3
"""A shape is made of copies of another if a copy more explains so much of what they differ by."""
ALIGN_ROUNDS = 3
NEAR_DELAY_S = 0.002
"""What lone strokes differ by is taken together over delays so near to each other."""


@dataclasses.dataclass(frozen=True)
class Shapes:
    """What single strokes of a take sound like, each shape another kind of stroke.

    Attributes
    ----------
    spectra
        (shapes, frequencies) of the mean stroke of each, energy 1.
    members
        Places of the lone strokes that each is of, among those given.
    place
        Samples by which each member came later than the shape, before it was moved to it: the
        shape's own onset is so much before (or after) the window's place for it.
    unlike, local
        Most that a member differs by, noise aside, over its energy: (shapes,); and about each
        moment of the window: (shapes, compared).
    share
        (shapes, shapes) most that a further copy of the second shape explains of what tells a
        member of the first from the others.
    spread
        (shapes, shapes, delays) rms of the level that such a copy seems to have, over the first's.
    """

    spectra: Spectra
    members: list[Ints]
    place: list[Floats]
    unlike: Floats
    local: Floats
    share: Floats
    spread: Floats

    def __len__(self) -> int:
        return len(self.members)


def compare(
    grid: Grid,
    sound: Spectra,
    shapes: Spectra,
    noise_rms: float,
    which: npt.ArrayLike = (0,),
    delay: npt.ArrayLike = (0.0,),
    first: int = 0,
    tails: Spectra | None = None,
) -> tuple[Gains, float]:
    """Hold a sound against copies of shapes; also the share of it that noise is.

    ``which``, ``delay``: of the copies known; ``first``: the shape by which all is whitened;
    ``tails``: of strokes before the window, of any level.
    """
    own = shapes[first]
    white = whitening(grid, own, float(np.sqrt(energy(sound) / energy(own))), noise_rms)
    tails = None if tails is None else tails * white
    found = gains(grid, sound * white, shapes * white, which, delay, tails)
    noise = noise_rms**2 * grid.length * float(np.sum(white**2))
    return found, noise / max(float(energy(sound * white)), 1e-300)


def learn_shapes(grid: Grid, lone: Spectra, noise_rms: Floats) -> Shapes:
    """Learn what single strokes sound like.

    Parameters
    ----------
    grid
        Lengths.
    lone
        (n, frequencies) strokes that stand alone, onsets at the window's place for them.
    noise_rms
        (n,) of their windows' samples.

    Returns
    -------
    Shapes
        Each of ``LEAST_LONE`` strokes or more; none where there are too few.
    """
    n = len(lone)
    share, left = np.zeros((n, n)), np.zeros((n, n))
    for i in range(n if n >= LEAST_LONE else 0):
        # each other one is brought to the place of this one
        white = whitening(grid, lone[i], 1.0, noise_rms[i]) ** 2
        others = moved(grid, lone, -alignment(grid, lone * white, lone[i]))
        for j in range(n):
            if i != j:
                found, _ = compare(grid, lone[i], others[j : j + 1], noise_rms[i])
                share[i, j], left[i, j] = found.most(grid)[0], found.left
    alike = (share < ALIKE_SHARE) & (left < ALIKE_LEFT)
    alike &= alike.T
    means: list[tuple[Spectra, Ints, Floats]] = []
    free = np.ones(n, dtype=bool)
    while len(means) < MOST_SHAPES:
        near = alike & free & free[:, None]
        count = near.sum(axis=1)
        if count.max(initial=0) < LEAST_LONE:
            break
        # of those with most like them, the one most like them
        close = np.where(near, left, 0.0).sum(axis=1) / np.maximum(count, 1)
        middle = int(np.lexsort((close, -count))[0])
        members = np.flatnonzero(near[middle])
        free[members] = False
        mean = _mean(grid, lone, noise_rms, members)
        if mean is not None:
            means.append(mean)
    spectra = [mean[0] for mean in means]
    means = [mean for mean in means if not _is_composite(grid, mean[0], spectra)]
    # among those that are alike may be some with a weaker stroke of another kind in them
    spectra = [mean[0] for mean in means]
    purer = [
        _mean(grid, lone, noise_rms, mean[1], np.array(spectra[:k] + spectra[k + 1 :]))
        for k, mean in enumerate(means)
        if len(means) > 1
    ]
    means = [mean for mean in purer if mean is not None] if purer else means
    return _differences(grid, lone, noise_rms, means)


def _mean(
    grid: Grid, lone: Spectra, noise_rms: Floats, members: Ints, others: Spectra | None = None
) -> tuple[Spectra, Ints, Floats] | None:
    """Mean of strokes that are alike, which they are, and their places; None if too few are."""
    while len(members) >= LEAST_LONE:
        level = np.sqrt(energy(lone[members]))
        own = lone[members] / level[:, None]
        mean = own[0]
        white = whitening(grid, mean, 1.0, float(np.median(noise_rms[members] / level))) ** 2
        for _ in range(ALIGN_ROUNDS):
            place = alignment(grid, own * white, mean)
            mean = moved(grid, own, -place).mean(axis=0)
        held = _held(grid, own, place, noise_rms[members] / level, others)
        share = np.array([found.most(grid).max() for found, _ in held])
        if (share < ALIKE_SHARE).all():
            return mean / np.sqrt(energy(mean)), members, place
        members = np.delete(members, int(share.argmax()))
    return None


def _held(
    grid: Grid, own: Spectra, place: Floats, noise_rms: Floats, others: Spectra | None = None
) -> list[tuple[Gains, float]]:
    """Each member held against the mean of the rest; other shapes may be what is further."""
    placed = moved(grid, own, -place)
    total = placed.sum(axis=0)
    out = []
    for sound, noise in zip(placed, noise_rms, strict=True):
        rest = total - sound
        rest = rest[None] / np.sqrt(energy(rest))
        shapes = rest if others is None else np.concatenate([rest, others])
        out.append(compare(grid, sound, shapes, float(noise)))
    return out


def _differences(
    grid: Grid, lone: Spectra, noise_rms: Floats, means: list[tuple[Spectra, Ints, Floats]]
) -> Shapes:
    """What the members of each shape differ by."""
    n = len(means)
    low, high = grid.delays
    width = round(NEAR_DELAY_S * grid.rate_hz)
    spectra = np.array([mean[0] for mean in means]).reshape(n, len(grid.turn))
    unlike, local = np.zeros(n), np.zeros((n, grid.compared))
    share, spread = np.zeros((n, n)), np.full((n, n, high), np.inf)
    for k, (_, members, place) in enumerate(means):
        level = np.sqrt(energy(lone[members]))
        further = np.delete(np.arange(n), k)
        held = _held(
            grid,
            lone[members] / level[:, None],
            place,
            noise_rms[members] / level,
            spectra[further],
        )
        order = np.concatenate([[k], further])
        unlike[k] = max(one.left - noise for one, noise in held)
        local[k] = np.max([one.local - noise for one, noise in held], axis=0)
        share[k, order] = np.max([one.most(grid) for one, _ in held], axis=0)
        power = np.mean([one.level[:, low:high] ** 2 for one, _ in held], axis=0)
        spread[k, order, low:] = np.sqrt(uniform_filter1d(power, width, axis=1, mode="nearest"))
    return Shapes(
        spectra, [m[1] for m in means], [m[2] for m in means], unlike, local, share, spread
    )


def _is_composite(grid: Grid, shape: Spectra, shapes: list[Spectra]) -> bool:
    """The shape is made of copies of another one, and that is not made of copies of this one."""
    for other in shapes:
        if other is shape:
            continue
        there, back = (
            float(compare(grid, _brought(grid, a, b), b[None], 0.0)[0].most(grid)[0])
            for a, b in ((shape, other), (other, shape))
        )
        if there >= COMPOSITE_SHARE and there > back:
            return True
    return False


def _brought(grid: Grid, sound: Spectra, shape: Spectra) -> Spectra:
    """Move a sound to the place of a shape."""
    white = whitening(grid, shape, 1.0, 0.0) ** 2
    return moved(grid, sound, -float(alignment(grid, sound[None] * white, shape)[0]))
