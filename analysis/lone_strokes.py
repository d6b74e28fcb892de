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
class Shape:
    """What one stroke sounds like.

    Attributes
    ----------
    spectrum
        (frequencies,) of the mean stroke, energy 1.
    members
        Places of the lone strokes that it is of, among those given.
    place
        Samples by which each member came later than the shape, before it was moved to it: the
        shape's own onset is so much before (or after) the window's place for it: (members,).
    share
        Most that a further copy explains of what tells a member from the others.
    unlike
        Most that a member differs by, noise aside, over its energy.
    local
        The same about each moment of the window: (length,).
    spread
        (delays,) rms of the further copy's level that members seem to have, over theirs.
    """

    spectrum: Spectra
    members: Ints
    place: Floats
    share: float
    unlike: float
    local: Floats
    spread: Floats


def compare(
    grid: Grid, sound: Spectra, shape: Spectra, noise_rms: float, delays: npt.ArrayLike = (0.0,)
) -> tuple[Gains, float]:
    """Hold a sound against a shape whose place is right; also the share of it that noise is."""
    level = float(np.sqrt(energy(sound) / energy(shape)))
    white = whitening(grid, shape, level, noise_rms)
    found = gains(grid, sound * white, shape * white, delays)
    noise = noise_rms**2 * grid.length * float(np.sum(white**2))
    return found, noise / max(float(energy(sound * white)), 1e-300)


def learn_shapes(grid: Grid, lone: Spectra, noise_rms: Floats) -> list[Shape]:
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
    list of Shape
        Each of ``LEAST_LONE`` strokes or more; none where there are too few.
    """
    n = len(lone)
    if n < LEAST_LONE:
        return []
    share, left = np.zeros((n, n)), np.zeros((n, n))
    for i in range(n):
        # each other one is brought to the place of this one
        white = whitening(grid, lone[i], 1.0, noise_rms[i]) ** 2
        others = moved(grid, lone, -alignment(grid, lone * white, lone[i]))
        for j in range(n):
            if i != j:
                found, _ = compare(grid, lone[i], others[j], noise_rms[i])
                share[i, j], left[i, j] = found.most(grid), found.left
    alike = (share < ALIKE_SHARE) & (left < ALIKE_LEFT)
    alike &= alike.T
    shapes: list[Shape] = []
    free = np.ones(n, dtype=bool)
    while len(shapes) < MOST_SHAPES:
        near = alike & free & free[:, None]
        count = near.sum(axis=1)
        if count.max() < LEAST_LONE:
            break
        # of those with most like them, the one most like them
        close = np.where(near, left, 0.0).sum(axis=1) / np.maximum(count, 1)
        middle = int(np.lexsort((close, -count))[0])
        members = np.flatnonzero(near[middle])
        free[members] = False
        shape = _shape(grid, lone, noise_rms, members)
        if shape is not None:
            shapes.append(shape)
    return [shape for shape in shapes if not _is_composite(grid, shape, shapes)]


def _shape(grid: Grid, lone: Spectra, noise_rms: Floats, members: Ints) -> Shape | None:
    """Shape of some strokes that are alike; None if too few are."""
    low, high = grid.delays
    while len(members) >= LEAST_LONE:
        own = lone[members]
        level = np.sqrt(energy(own))
        own = own / level[:, None]
        place = np.zeros(len(members))
        mean = own[0]
        white = whitening(grid, mean, 1.0, float(np.median(noise_rms[members] / level))) ** 2
        for _ in range(ALIGN_ROUNDS):
            place = alignment(grid, own * white, mean)
            mean = moved(grid, own, -place).mean(axis=0)
        # the mean's place for the onset is where the members' are on average
        placed = moved(grid, own, -place)
        total = placed.sum(axis=0)
        found = [
            compare(grid, placed[k], total - placed[k], noise_rms[members[k]] / level[k])
            for k in range(len(members))
        ]
        share = np.array([one.most(grid) for one, _ in found])
        if (share < ALIKE_SHARE).all():
            break
        members = np.delete(members, int(share.argmax()))
    else:
        return None
    levels = np.array([one.level for one, _ in found])
    spread = np.sqrt(
        uniform_filter1d(
            (levels**2).mean(axis=0)[low:high], round(NEAR_DELAY_S * grid.rate_hz), mode="nearest"
        )
    )
    return Shape(
        spectrum=mean / np.sqrt(energy(mean)),
        members=members,
        place=place,
        share=float(share.max()),
        unlike=float(max(one.left - noise for one, noise in found)),
        local=np.max([one.local - noise for one, noise in found], axis=0),
        spread=np.concatenate([np.full(low, np.inf), spread]),
    )


def _is_composite(grid: Grid, shape: Shape, shapes: list[Shape]) -> bool:
    """The shape is made of copies of another one, and that is not made of copies of this one."""
    for other in shapes:
        if other is shape:
            continue
        pair = (shape.spectrum, other.spectrum)
        there, back = (
            compare(grid, _brought(grid, a, b), b, 0.0)[0].most(grid) for a, b in (pair, pair[::-1])
        )
        if there >= COMPOSITE_SHARE and there > back:
            return True
    return False


def _brought(grid: Grid, sound: Spectra, shape: Spectra) -> Spectra:
    """Move a sound to the place of a shape."""
    white = whitening(grid, shape, 1.0, 0.0) ** 2
    return moved(grid, sound, -float(alignment(grid, sound[None] * white, shape)[0]))
