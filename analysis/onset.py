"""Onsets: when each stroke's sound first passes 1 % of its peak, and how surely that is known."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np
import numpy.typing as npt

from analysis.drone import Drone
from analysis.held_sound import Held, HeldSound
from analysis.hops import HOP, HOP_S, Hops, corners, crests, fold, frames_per_hop
from analysis.hum import without_hum
from analysis.novelty import ECHO_RISE, NEAR_S, TAIL_RATIO, beginnings
from analysis.onsets import Onsets
from analysis.quiet import NoiseGauge, Pieces
from analysis.second_strokes import SecondStrokes
from analysis.stroke_start import Stretch, find_starts
from analysis.whitening import Predictor
from rig.record.full_scale import CLIP_LEVEL

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Samples = npt.NDArray[np.float32]

__all__ = ["OnsetFinder", "Onsets", "find_onsets"]

APART_S = 0.0035
"""What begins sooner than this after a stroke is its own where no plan expects it."""
LEAST_SNR = 8.0
"""Peak over noise rms below which nothing is called a stroke."""
U_FLOOR_S = 0.5e-6
"""No onset is claimed to be known better than this."""
U_FLOOR_FRAMES = 0.05


class OnsetFinder:
    """Finds onsets in a stream of samples; memory does not grow with its length.

    Parameters
    ----------
    sample_rate_hz
        Rate of the samples.
    expected_frames
        Where strikes of a plan should land, if known. They only help to tell close strokes
        apart; nothing is found where nothing sounds.
    planned
        A plan will say where to ``look_again``: what sounds at the time of a late crest is not a
        stroke until then, and what is new in a tail need not stand out as without a plan.
    contact
        The sensor gives contact pulses, as the bench's own does: they rise from nought to their
        first crest. False: nothing is known of how the sound begins.
    modes
        All strokes ring on in the same modes, as those of one pad do.
    """

    def __init__(
        self,
        sample_rate_hz: float,
        expected_frames: npt.ArrayLike = (),
        planned: bool = False,
        contact: bool = True,
        modes: bool = True,
    ) -> None:
        self._contact, self._modes = contact, modes
        self.sample_rate_hz = float(sample_rate_hz)
        self._echo_rise = np.inf if planned else ECHO_RISE
        # what tails of unknown make hold is no stroke until the plan says where to look again
        self._loose = planned and contact
        self._tail_ratio = 0.0 if self._loose else TAIL_RATIO
        self._hop = frames_per_hop(sample_rate_hz)
        self._expected = np.sort(np.asarray(expected_frames, dtype=np.float64).ravel())
        self._held = HeldSound(self.sample_rate_hz, self._hop)
        self._last_frame, self._last_rise = -(10**9), 0.0
        self._gauge = NoiseGauge()
        self._drone = Drone(self._hop / self.sample_rate_hz)
        self._predictor = Predictor()
        # where a plan tells of each stroke, and where a contact pulse does, none hides
        alone = not (contact or planned or len(self._expected))
        self.seconds = SecondStrokes(sample_rate_hz) if alone else None
        self.parts: list[Onsets] = []
        self.noise_rms: list[float] = []

    def feed(self, samples: npt.ArrayLike) -> None:
        """Take the next samples of one channel, (frames,); NaN counts as silence."""
        for held in self._held.feed(samples):
            self._look(held)

    def pass_over(self, frames: int) -> None:
        """Go on after so many frames that were not kept: nothing is heard of them."""
        for held in self._held.pass_over(frames):
            self._look(held)

    def finish(self) -> Onsets:
        """Give all onsets."""
        for held in self._held.finish():
            self._look(held)
            if self.seconds is not None:
                self.parts.append(self.seconds.finish())
        return Onsets.join(self.parts)

    def _look(self, held: Held) -> None:
        """Find the onsets of one stretch."""
        samples, stop, end = held
        first, margin, edge = self._held.first, self._held.margin, self._held.edge
        fast, mean = fold(samples, self.sample_rate_hz)
        # a straight line foretells well enough to tell where it is quiet
        kinks = np.zeros(len(fast))
        kinks[2:] = fast[2:] - 2.0 * fast[1:-1] + fast[:-2]
        there, inside = self._held.clear(len(mean))
        recorded = there.copy()
        recorded[: max(-first, 0) // self._hop] = False
        recorded[end // self._hop :] = False
        drone, quiet = self._drone.hear(mean, Pieces.of(crests(kinks), recorded))
        mean = mean - drone
        clean = without_hum(samples, drone)
        noise = self._gauge.hear(clean, quiet, self._hop)
        self.noise_rms.append(noise)
        step = self._hop // HOP
        mean[~there] = 0.0
        fast -= np.repeat(drone, HOP)
        fast[np.repeat(~there, HOP)] = 0.0
        self._predictor.learn(fast, noise / np.sqrt(step))
        # the predictor that is used is the one learnt from this very stretch
        corner = corners(self._predictor.novelty(fast), mean)
        corner /= self._gauge.hear_corners(corner, quiet)[:, None]
        corner[:, ~inside] = 0.0
        hops = Hops(mean, corner, self._clipped(samples))
        expected = self._expected_hops(self._expected, first, len(mean))
        last = max((self._last_frame - first) // self._hop, -(10**6))
        found, rises, sure = beginnings(
            hops,
            expected,
            int(last),
            self._last_rise,
            self._rise_in(fast),
            echo_rise=self._echo_rise,
            tail_ratio=self._tail_ratio,
        )
        stretch = self._stretch(clean, fast, noise)
        onsets = self._onsets(stretch, found, sure)
        while not (self._loose or len(expected)):
            kept = _apart(onsets.frame, APART_S * self.sample_rate_hz)
            if len(kept) == len(found):
                break
            found, rises, sure = found[kept], rises[kept], sure[kept]
            onsets = self._onsets(stretch, found, sure)
        loud = onsets.peak > LEAST_SNR * onsets.noise_rms
        # by the corner's hop, never by the refined frame: else one could fall between two stretches
        low = margin + (edge if first < 0 else 0)
        high = stop - (edge if stop == end else 0)
        mine = (found * self._hop >= low) & (found * self._hop < high) & loud
        kept = np.flatnonzero(mine)
        if len(kept):
            self._last_frame = first + int(found[kept[-1]]) * self._hop
            self._last_rise = float(rises[kept[-1]])
        part = onsets.picked(kept).shifted(first)
        if self.seconds is not None:
            part = self.seconds.take(part, stretch, first, margin, stop)
        self.parts.append(part)

    def _onsets(self, stretch: Stretch, found: Ints, sure: Bools) -> Onsets:
        """Onsets of strokes that begin at some hops, in frames of the stretch."""
        coarse, noise = found * self._hop, stretch.noise_rms
        starts = find_starts(stretch, coarse, sure, self._predictor, self._contact, self._modes)
        noise_rms = np.full(len(found), noise)
        floor = max(U_FLOOR_FRAMES, U_FLOOR_S * self.sample_rate_hz)
        return Onsets(
            frame=starts.frame,
            u_frames=np.hypot(starts.u_frames, floor),
            peak=starts.peak,
            peak_frame=starts.peak_frame,
            snr_db=20.0 * np.log10(np.maximum(starts.peak, 1e-12) / noise_rms),
            clipped=starts.peak >= CLIP_LEVEL,
            noise_rms=noise_rms,
        )

    def _stretch(self, clean: Floats, fast: Floats, noise: float) -> Stretch:
        return Stretch(clean, fast, self._hop, self._hop // HOP, noise, self.sample_rate_hz)

    def look_again(
        self,
        samples: npt.ArrayLike,
        first_frame: int,
        expected_frames: npt.ArrayLike,
        within_s: float = NEAR_S,
    ) -> Onsets:
        """Look at a short stretch again, with half the demand where strikes are expected.

        To be called after ``finish``: it uses what was learnt of noise and tails.

        Parameters
        ----------
        samples
            (frames,) the stretch, a tenth of a second or so.
        first_frame
            Its first frame in the recording.
        expected_frames
            Where strikes should have landed.
        within_s
            How near.

        Returns
        -------
        Onsets
            Only those within ``within_s`` of an expected frame.
        """
        block = np.nan_to_num(np.asarray(samples, dtype=np.float32))
        block = block[: len(block) // self._hop * self._hop]
        fast, mean = fold(block, self.sample_rate_hz)
        rest = float(np.median(mean)) if len(mean) else 0.0
        fast, mean = fast - rest, mean - rest
        corner = corners(self._predictor.novelty(fast), mean)
        corner = corner / self._gauge.corner_rms[:, None]
        noise = self._gauge.rms
        hops = Hops(mean, corner, self._clipped(block))
        frames = np.asarray(expected_frames, dtype=np.float64)
        expected = self._expected_hops(frames, first_frame, len(mean))
        near = within_s / HOP_S
        found, _, _ = beginnings(hops, expected, -(10**6), 0.0, self._rise_in(fast), near)
        # with half the demand a soft stroke may show only well after its start
        sure = np.zeros(len(found), dtype=bool)
        clean = block.astype(np.float64) - rest
        onsets = self._onsets(self._stretch(clean, fast, noise), found, sure)
        # a soft blunt stroke shows by its crest, well after its start
        places = np.stack([found, onsets.frame / self._hop], axis=1)[:, :, None]
        away = np.abs(places - expected).min(axis=(1, 2), initial=10**6)
        good = (away <= near + 1) & (onsets.peak > LEAST_SNR * noise)
        return onsets.picked(np.flatnonzero(good)).shifted(first_frame)

    def _expected_hops(self, frames: Floats, first: int, count: int) -> Ints:
        hops = (frames - first) / self._hop
        return np.sort(hops[(hops > 0) & (hops < count)]).astype(np.int64)

    def _rise_in(self, fast: Floats) -> Callable[[int], float]:
        # from the hop before, since a corner may lie at the very start of its own
        return lambda hop: self._predictor.rise(fast, (hop - 1) * HOP)

    def _clipped(self, samples: Samples) -> Bools:
        clipped: Bools = np.zeros(len(samples) // self._hop, dtype=bool)
        if len(samples) and max(samples.max(), -samples.min()) >= CLIP_LEVEL:
            clipped |= (np.abs(samples) >= CLIP_LEVEL).reshape(-1, self._hop).any(axis=1)
        return clipped


def _apart(frame: Floats, least: float) -> Ints:
    """Those that don't follow a stroke at once: what does is the first kink of a slow beginning."""
    kept: list[int] = []
    for k, at in enumerate(frame):
        if not kept or at - frame[kept[-1]] >= least:
            kept.append(k)
    return np.array(kept, dtype=np.int64)


def find_onsets(
    audio: npt.NDArray[np.floating] | Iterable[npt.NDArray[np.floating]],
    channel: int = 0,
    sample_rate_hz: float = 96_000.0,
    expected_frames: npt.ArrayLike = (),
    contact: bool = True,
) -> Onsets:
    """Find the onsets of one channel.

    The onset is the instant at which the noise-free sound first passes 1 % of its peak. Corners of
    the signal that stand out of the noise and of the recent past are strokes; the rise of each is
    then fitted by power laws, below the noise where 1 % of the peak lies there.

    Parameters
    ----------
    audio
        Samples, full scale ±1: (frames,), (frames, channels), or an iterable of such blocks in
        order (each (frames,) or (frames, channels)).
    channel
        Column looked at.
    sample_rate_hz
        Rate of the samples.
    expected_frames
        Where strikes of a plan should land, if known: helps to tell close strokes apart.
    contact
        The sensor gives contact pulses; False where nothing is known of how the sound begins: the
        uncertainty of strokes less than 50 dB above the noise then holds a hidden beginning.

    Returns
    -------
    Onsets
        Empty for empty or silent audio. NaN samples count as silence.
    """
    finder = OnsetFinder(sample_rate_hz, expected_frames, contact=contact)
    blocks = [audio] if isinstance(audio, np.ndarray) else audio
    for block in blocks:
        finder.feed(block[:, channel] if block.ndim == 2 else block)
    return finder.finish()
