"""The one time line: controller ticks turned into seconds of the audio clock."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.interpolate import BSpline

from analysis.breaks import Jump
from analysis.clock_noise import ClockNoise
from rig.record.limits import TICKS_PER_S

Floats = npt.NDArray[np.float64]

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
    middle_s, slope, offset_s, wander, jump_x
        The line: seconds of the controller's clock about ``middle_s`` are x; ``slope`` x and the
        offset, the spline over x, and the x of the jumps.
    at_s, freedom
        x of the events that carry it, and the number of figures that they gave.
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
    middle_s: float
    slope: float
    offset_s: float
    wander: BSpline | None
    at_s: Floats
    freedom: int
    unsure_s: tuple[tuple[float, float], ...] = ()
    jumps: tuple[Jump, ...] = ()
    jump_x: Floats = dataclasses.field(default_factory=lambda: np.zeros(0))
    noise: ClockNoise | None = None
    knot_s: float = np.nan

    def t_s(self, ticks: npt.ArrayLike) -> Floats:
        """Seconds of the audio clock at ticks (any shape)."""
        x = self._nominal(ticks)
        plain = self.offset_s + self.middle_s + self.slope * x + self._bend(x)
        if not self.jumps:
            return np.asarray(plain)
        # what falls into a gap stays at its begin, even if the gap is longer than was told
        total = np.concatenate([[0.0], np.cumsum([jump.step_s for jump in self.jumps])])
        floors = np.array([-np.inf, *(jump.from_s for jump in self.jumps)])
        place = np.searchsorted(self.jump_x, x, side="right")
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

    def with_jumps(self, jumps: list[Jump], x: Floats) -> TimeLine:
        """Place each jump on the ticks: where its gap begins, or just after the last marker.

        ``x``: seconds of the controller's clock of the markers that the jumps count.
        """
        total, at = 0.0, []
        for jump in jumps:
            place = x[jump.pair - 1] - self.middle_s + 1.0 / TICKS_PER_S
            if jump.told:
                for _ in range(3):
                    now = self.t_s((place + self.middle_s) * TICKS_PER_S) + total
                    place += jump.from_s - float(now)
            total += jump.step_s
            at.append(place)
        return dataclasses.replace(self, jumps=tuple(jumps), jump_x=np.array(at))

    def _nominal(self, ticks: npt.ArrayLike) -> Floats:
        return np.asarray(ticks, dtype=np.float64) / TICKS_PER_S - self.middle_s

    def _bend(self, x: Floats) -> Floats:
        if self.wander is None:
            return np.zeros_like(x)
        low, high = self.at_s[0], self.at_s[-1]
        inside = np.clip(x, low, high)
        rate = self.wander.derivative()
        return np.asarray(self.wander(inside) + (x - inside) * rate(inside))

    def u_s(self, ticks: npt.ArrayLike) -> Floats:
        """Standard uncertainty of ``t_s``.

        Of the fit; of wander that it does not follow; of wander away from the next marker, by the
        clocks' own Allan deviation.
        """
        x = self._nominal(ticks)
        k = np.clip(np.searchsorted(self.at_s, x), 1, max(len(self.at_s) - 1, 1))
        right = np.abs(self.at_s[np.minimum(k, len(self.at_s) - 1)] - x)
        away = np.minimum(right, np.abs(self.at_s[k - 1] - x))
        fit = self.residual_sd_us * 1e-6 * np.sqrt(self.freedom / max(self.used, 1))
        wander: Floats | float = WANDER
        if self.noise is not None:
            fit = np.hypot(fit, self.noise.unfollowed_s)
            wander = np.maximum(WANDER, self.noise.wander_at(away))
        return np.asarray(np.hypot(fit, wander * away))
