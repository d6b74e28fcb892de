"""The one time line: controller ticks turned into seconds of the audio clock."""

from __future__ import annotations

import dataclasses
import itertools
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.interpolate import BSpline, make_lsq_spline

from analysis.align import Pairs, align
from analysis.breaks import Jump, find_jumps, match_in_pieces
from analysis.clock_noise import ClockNoise, clock_noise
from rig.record.bench_fault import BenchError
from rig.record.limits import TICKS_PER_S

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

MARKER_TOLERANCE_S = 50e-6
ONSET_TOLERANCE_S = 1.5e-3
"""Scatter of a strike's flight from coil to contact, where onsets stand in for markers."""
KNOTS_S = (20.0, 10.0, 5.0)
"""One free point so often follows the clocks' wander, which is slow between two crystals (common
practice); the next where the residuals show that it is faster."""
KNOT_EVENTS = 16
LEAST_WANDER_FRAMES = 0.05
"""What a marker may be off by its place between two samples; less of wander is not told from it."""
LEAST_MARKERS = 4
LEAST_SHARE = 0.8
"""Share of the markers sent that must be found."""
MOST_RESIDUAL_FRAMES = 0.5
UNSURE_MARKERS = 8
"""So many markers in a row that don't fit: nothing between them can be placed."""
WANDER = 0.2e-6
"""Unseen change of rate between a marker and a stroke, relative (crystals; common practice), where
the markers don't show a greater one."""


@dataclasses.dataclass(frozen=True)
class TimeLine:
    """Turns ticks into seconds of the audio clock (frame / nominal rate).

    Attributes
    ----------
    ppm
        Mean rate of the controller's clock over the audio clock's, less 1, in 1e-6: positive when
        the controller's runs slow against the audio's.
    residual_sd_us
        Scatter of the used events about the line.
    used, lost, extra
        Events that carry it; sent and not found; found and not sent.
    method
        ``markers``, or ``onsets`` where a plan was fitted to the onsets.
    unsure_s
        Stretches of the audio clock, (begin, end), in which no tick can be placed: samples were
        lost there without having been told, or again and again, or the markers don't fit.
    jumps
        Places at which the audio clock jumps, though the record tells of a gap of another length.
    noise
        Scatter and wander of the markers by averaging time; None where onsets stand in for them.
    knot_s
        Spacing of the line's free points; NaN where it is straight.
    """

    ppm: float
    residual_sd_us: float
    used: int
    lost: int
    extra: int
    method: str
    _middle_s: float
    _slope: float
    _offset_s: float
    _wander: BSpline | None
    _at_s: Floats
    _freedom: int
    unsure_s: tuple[tuple[float, float], ...] = ()
    jumps: tuple[Jump, ...] = ()
    _jump_x: Floats = dataclasses.field(default_factory=lambda: np.zeros(0))
    noise: ClockNoise | None = None
    knot_s: float = np.nan

    def t_s(self, ticks: npt.ArrayLike) -> Floats:
        """Seconds of the audio clock at ticks (any shape)."""
        x = self._nominal(ticks)
        plain = self._offset_s + self._middle_s + self._slope * x + self._bend(x)
        if not self.jumps:
            return np.asarray(plain)
        # what falls into a gap stays at its begin, even if the gap is longer than was told
        total = np.concatenate([[0.0], np.cumsum([jump.step_s for jump in self.jumps])])
        floors = np.array([-np.inf, *(jump.from_s for jump in self.jumps)])
        place = np.searchsorted(self._jump_x, x, side="right")
        return np.asarray(np.maximum(plain + total[place], floors[place]))

    def record(self) -> dict[str, Any]:
        """How the clocks were tied together, for the result's record."""
        noise = self.noise
        told = noise if noise is not None and noise.known else None
        return {
            "method": self.method,
            "used": self.used,
            "lost": self.lost,
            "extra": self.extra,
            "ppm": self.ppm,
            "residual_sd_us": self.residual_sd_us,
            "knot_s": self.knot_s if np.isfinite(self.knot_s) else None,
            "white": told.white if told else None,
            "unfollowed_us": told.unfollowed_s * 1e6 if told else None,
            "allan": told.rows() if told else [],
        }

    def _nominal(self, ticks: npt.ArrayLike) -> Floats:
        return np.asarray(ticks, dtype=np.float64) / TICKS_PER_S - self._middle_s

    def _bend(self, x: Floats) -> Floats:
        if self._wander is None:
            return np.zeros_like(x)
        low, high = self._at_s[0], self._at_s[-1]
        inside = np.clip(x, low, high)
        rate = self._wander.derivative()
        return np.asarray(self._wander(inside) + (x - inside) * rate(inside))

    def u_s(self, ticks: npt.ArrayLike) -> Floats:
        """Standard uncertainty of ``t_s``.

        Of the fit; of wander that it does not follow; of wander away from the next marker, by the
        clocks' own Allan deviation.
        """
        x = self._nominal(ticks)
        k = np.clip(np.searchsorted(self._at_s, x), 1, max(len(self._at_s) - 1, 1))
        right = np.abs(self._at_s[np.minimum(k, len(self._at_s) - 1)] - x)
        away = np.minimum(right, np.abs(self._at_s[k - 1] - x))
        fit = self.residual_sd_us * 1e-6 * np.sqrt(self._freedom / max(self.used, 1))
        wander: Floats | float = WANDER
        if self.noise is not None:
            fit = np.hypot(fit, self.noise.unfollowed_s)
            wander = np.maximum(WANDER, self.noise.wander_at(away))
        return np.asarray(np.hypot(fit, wander * away))


def fit_markers(
    edge_frames: npt.ArrayLike,
    marker_ticks: npt.ArrayLike,
    sample_rate_hz: float,
    edge_codes: npt.ArrayLike | None = None,
    marker_codes: npt.ArrayLike | None = None,
    gaps: npt.ArrayLike | None = None,
) -> TimeLine:
    """Fit the controller's clock to the audio clock by its markers.

    Where samples were lost the line may jump: how long a gap truly is, the markers tell.

    Parameters
    ----------
    edge_frames
        (n,) leading edges in the recording.
    marker_ticks
        (m,) ticks at which markers were sent.
    sample_rate_hz
        Nominal rate of the recording.
    edge_codes, marker_codes
        Widths by code; only equal codes match.
    gaps
        (g, 2) first frame and number of frames of gaps that the record tells of.

    Returns
    -------
    TimeLine

    Raises
    ------
    BenchError
        Too few markers are found, they lie off the line, or the match could be off by one.
    """
    order = np.argsort(np.asarray(edge_frames, dtype=np.float64), kind="stable")
    edges_s = np.asarray(edge_frames, dtype=np.float64)[order] / sample_rate_hz
    sent = np.argsort(np.asarray(marker_ticks), kind="stable")
    ticks = np.asarray(marker_ticks)[sent]
    sent_s = ticks.astype(np.float64) / TICKS_PER_S
    codes: tuple[Ints, Ints] | tuple[None, None] = (None, None)
    if edge_codes is not None and marker_codes is not None:
        codes = (
            np.asarray(marker_codes, dtype=np.int64)[sent],
            np.asarray(edge_codes, dtype=np.int64)[order],
        )
    what = f"fitting {len(sent_s)} markers of the board to {len(edges_s)} edges in the recording"
    check = (
        "Check the marker cable and its divider, that the bench file names its channel, and its "
        "level (a tenth of full scale or more, not clipped)"
    )
    if len(sent_s) < LEAST_MARKERS or len(edges_s) < LEAST_MARKERS:
        raise BenchError(f"{what}: at least {LEAST_MARKERS} of each are needed. {check}")
    pieces = match_in_pieces(sent_s, edges_s, codes, MARKER_TOLERANCE_S)
    pairs = Pairs(
        np.concatenate([piece.source for piece in pieces]),
        np.concatenate([piece.target for piece in pieces]),
    )
    told_s = np.asarray([] if gaps is None else gaps, dtype=np.float64).reshape(-1, 2)
    told_s = told_s[np.argsort(told_s[:, 0], kind="stable")] / sample_rate_hz
    lengths = [len(piece.source) for piece in pieces]
    x, y = sent_s[pairs.source], edges_s[pairs.target]
    jumps = find_jumps(x, y, np.cumsum(lengths[:-1]), told_s[:, 0]) if len(x) else []
    in_gaps = _in_gaps(pairs, edges_s, told_s, len(sent_s))
    share = len(pairs.source) / max(len(sent_s) - in_gaps, 1)
    if len(pairs.source) < LEAST_MARKERS or share < LEAST_SHARE:
        raise BenchError(
            f"{what}: only {len(pairs.source)} match ({share:.0%}); at least {LEAST_SHARE:.0%} are "
            f"needed. {check}, and that no other program took samples from the interface"
        )
    steps = np.zeros(len(x))
    for jump in jumps:
        steps[jump.pair :] += jump.step_s
    line = _fit_wander(x, y - steps, len(sent_s), len(edges_s), sample_rate_hz)
    line = _with_jumps(line, jumps, x)
    if not line.residual_sd_us * 1e-6 * sample_rate_hz <= MOST_RESIDUAL_FRAMES:
        raise BenchError(
            f"{what}: they scatter by {line.residual_sd_us:.1f} µs about the line; at most "
            f"{MOST_RESIDUAL_FRAMES} samples "
            f"({MOST_RESIDUAL_FRAMES / sample_rate_hz * 1e6:.1f} us) "
            f"are allowed. {check}, and that the interface runs on its own clock"
        )
    return dataclasses.replace(line, unsure_s=_unsure(line, sent_s, pairs, y, told_s))


def _in_gaps(pairs: Pairs, edges_s: Floats, told_s: Floats, sent: int) -> int:
    """Markers that weren't found because they fell into a gap that the record tells of."""
    found = 0
    for begin_s, _ in told_s:
        after = int(np.searchsorted(edges_s[pairs.target], begin_s))
        low = int(pairs.source[after - 1]) + 1 if after > 0 else 0
        high = int(pairs.source[after]) if after < len(pairs.source) else sent
        found += max(high - low, 0)
    return min(found, sent)


def _with_jumps(line: TimeLine, jumps: list[Jump], x: Floats) -> TimeLine:
    """Place each jump on the ticks: where its gap begins, or just after the last marker."""
    total, at = 0.0, []
    for jump in jumps:
        place = x[jump.pair - 1] - line._middle_s + 1.0 / TICKS_PER_S
        if jump.told:
            for _ in range(3):
                now = line.t_s((place + line._middle_s) * TICKS_PER_S) + total
                place += jump.from_s - float(now)
        total += jump.step_s
        at.append(place)
    return dataclasses.replace(line, jumps=tuple(jumps), _jump_x=np.array(at))


def _unsure(
    line: TimeLine, sent_s: Floats, pairs: Pairs, y: Floats, told_s: Floats
) -> tuple[tuple[float, float], ...]:
    """Stretches about jumps that the record does not tell of, and about markers that don't fit."""
    found = [
        (jump.from_s, jump.sure_from_s) for jump in line.jumps if jump.sure_from_s > jump.from_s
    ]
    off_s = np.abs(line.t_s(sent_s[pairs.source] * TICKS_PER_S) - y)
    fits = np.zeros(len(sent_s), dtype=bool)
    fits[pairs.source[off_s <= max(6e-6 * line.residual_sd_us, 5e-6)]] = True
    at_s = line.t_s(sent_s * TICKS_PER_S)
    good = np.flatnonzero(fits)
    bounds = [-1, *good.tolist(), len(sent_s)]
    for before, after in itertools.pairwise(bounds):
        if after - before - 1 < UNSURE_MARKERS:
            continue
        begin_s = float(at_s[before]) if before >= 0 else -np.inf
        end_s = float(at_s[after]) if after < len(sent_s) else np.inf
        between = at_s[before + 1 : after, None]
        lost = (between >= told_s[:, 0] - 1e-3) & (between <= told_s.sum(axis=1) + 1e-3)
        if (~lost.any(axis=1)).sum() >= UNSURE_MARKERS:
            found.append((begin_s, end_s))
    apart: list[tuple[float, float]] = []
    for begin_s, end_s in sorted(found):
        if apart and begin_s <= apart[-1][1]:
            apart[-1] = (apart[-1][0], max(apart[-1][1], end_s))
        else:
            apart.append((begin_s, end_s))
    return tuple(apart)


def fit_onsets(onset_s: npt.ArrayLike, planned_ticks: npt.ArrayLike) -> TimeLine:
    """Fit a plan to the onsets themselves, where no markers were recorded.

    The mean flight from coil to contact can't be told from the offset and is in it, so that only
    the order and the rough place of strokes come from this line; its scatter is that of flights.

    Parameters
    ----------
    onset_s
        (n,) onsets on the audio clock.
    planned_ticks
        (m,) planned coil times on any zero.

    Raises
    ------
    BenchError
        Fewer than 3 match, fewer than half of the strikes, or the match could be off by one.
    """
    target = np.sort(np.asarray(onset_s, dtype=np.float64))
    source = np.sort(np.asarray(planned_ticks).astype(np.float64)) / TICKS_PER_S
    pairs = align(source, target, tolerance_s=ONSET_TOLERANCE_S)
    if len(pairs.source) < 3 or len(pairs.source) < 0.5 * len(source):
        raise BenchError(
            f"fitting a plan of {len(source)} strikes to {len(target)} onsets: only "
            f"{len(pairs.source)} match; at least half (and 3) are needed. Check that the protocol "
            "is the one that was struck, and the level of the sensor"
        )
    return _fit(source[pairs.source], target[pairs.target], len(source), len(target), "onsets")


def _fit_wander(x: Floats, y: Floats, sent: int, found: int, sample_rate_hz: float) -> TimeLine:
    """Fit with free points as close as the residuals ask for."""
    line = _fit(x, y, sent, found, "markers", KNOTS_S[0])
    for knot_s in KNOTS_S[1:]:
        left_s = line.noise.unfollowed_s if line.noise is not None else 0.0
        if left_s * sample_rate_hz <= LEAST_WANDER_FRAMES:
            break
        closer = _fit(x, y, sent, found, "markers", knot_s)
        if closer.noise is None or not closer.noise.unfollowed_s < left_s:
            break
        line = closer
    return line


def _fit(
    source: Floats, target: Floats, sent: int, found: int, method: str, knot_s: float = np.nan
) -> TimeLine:
    """Straight line, and a spline on it where there is enough to carry one; outliers go."""
    middle = float(source.mean())
    x, y = source - middle, target - middle
    keep = np.ones(len(x), dtype=bool)
    least = 2e-6 if method == "markers" else 2e-4
    slope, offset, wander, freedom = 1.0, 0.0, None, 2
    flat = rest = np.zeros(len(x))
    for _ in range(4):
        slope, offset = (
            np.polyfit(x[keep], y[keep], 1) if np.ptp(x[keep]) > 0 else (1.0, float(y.mean()))
        )
        flat = y - slope * x - offset
        wander = _wander(x[keep], flat[keep], knot_s) if method == "markers" else None
        freedom = 2 if wander is None else len(wander.c)
        rest = flat - (0.0 if wander is None else np.asarray(wander(x)))
        spread = 1.4826 * float(np.median(np.abs(rest[keep])))
        good = np.abs(rest) <= max(5.0 * spread, least)
        if (good == keep).all():
            break
        keep = good
    used = int(keep.sum())
    sd = float(np.sqrt((rest[keep] ** 2).sum() / max(used - freedom, 1)))
    noise = clock_noise(x[keep], flat[keep], rest[keep], sd) if method == "markers" else None
    return TimeLine(
        ppm=(float(slope) - 1.0) * 1e6,
        residual_sd_us=sd * 1e6,
        used=used,
        lost=sent - used,
        extra=found - used,
        method=method,
        _middle_s=middle,
        _slope=float(slope),
        _offset_s=float(offset),
        _wander=wander,
        _at_s=x[keep],
        _freedom=freedom,
        noise=noise,
        knot_s=knot_s if wander is not None else np.nan,
    )


def _wander(x: Floats, flat: Floats, knot_s: float) -> BSpline | None:
    """Cubic spline through what a line leaves, its knots set by time and by count."""
    if len(x) < 4 * KNOT_EVENTS or np.ptp(x) < 3 * knot_s:
        return None
    knots = []
    last, k = 0, KNOT_EVENTS
    while k < len(x) - KNOT_EVENTS:
        if k - last >= KNOT_EVENTS and x[k] - x[last] >= knot_s:
            knots.append(0.5 * (x[k] + x[k - 1]))
            last = k
        k += 1
    ends = np.repeat([x[0], x[-1]], 4).reshape(2, 4)
    return make_lsq_spline(x, flat, np.concatenate([ends[0], knots, ends[1]]), k=3)
