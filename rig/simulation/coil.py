"""A solenoid's coil: its current over a pulse, and its copper's heating."""

from __future__ import annotations

import math

from rig.simulation.striker_figures import StrikerFigures

COPPER_PER_K = 0.00393
"""Temperature coefficient of copper's resistance at 20 °C (IEC 60028, secondary)."""


def coil_current(
    t_s: float, supply_v: float, resistance_ohm: float, inductance_h: float, start_a: float = 0.0
) -> float:
    """Current of a coil ``t_s`` after its supply was switched on: V/R (1 - exp(-t R/L))."""
    final = supply_v / resistance_ohm
    return final + (start_a - final) * math.exp(-t_s * resistance_ohm / inductance_h)


def flyback_current(
    t_s: float, start_a: float, clamp_v: float, resistance_ohm: float, inductance_h: float
) -> float:
    """Current ``t_s`` after the supply was cut; the coil drives a clamp of constant voltage."""
    floor = clamp_v / resistance_ohm
    fall = (start_a + floor) * math.exp(-t_s * resistance_ohm / inductance_h) - floor
    return max(0.0, fall)


def copper_resistance(resistance_20_ohm: float, temperature_c: float) -> float:
    """R(T) = R20 [1 + 0.00393 (T - 20)]."""
    return resistance_20_ohm * (1.0 + COPPER_PER_K * (temperature_c - 20.0))


class Coil:
    """The coil of one striker, with its memory of the latest pulse.

    Parameters
    ----------
    figures
        Of the striker.
    ambient_c
        Temperature of the room, and of the coil at the start.

    Attributes
    ----------
    on_s, off_s, start_c, resistance_ohm
        The latest pulse, and the temperature and resistance at which it began.
    """

    def __init__(self, figures: StrikerFigures, ambient_c: float) -> None:
        self._figures, self._ambient_c = figures, ambient_c
        # the state when the latest pulse began; everything since follows from it
        self.on_s, self.off_s = -math.inf, -math.inf
        self._start_a = self._peak_a = 0.0
        self.start_c = ambient_c
        self.resistance_ohm = copper_resistance(figures.resistance_ohm, ambient_c)

    def begin(self, on_s: float, off_s: float, start_a: float) -> None:
        """Begin a pulse, with what current still flows."""
        self.start_c = self.temperature_c(on_s)
        self.resistance_ohm = copper_resistance(self._figures.resistance_ohm, self.start_c)
        self.on_s, self.off_s, self._start_a = on_s, off_s, start_a
        self._peak_a = self._rising_a(off_s)

    def cut(self, at_s: float) -> None:
        """End the running pulse at ``at_s``."""
        self.off_s = max(self.on_s, min(self.off_s, at_s))
        self._peak_a = self._rising_a(self.off_s)

    def _rising_a(self, t_s: float) -> float:
        f = self._figures
        return coil_current(
            t_s - self.on_s, f.supply_v, self.resistance_ohm, f.inductance_h, self._start_a
        )

    def current_a(self, t_s: float) -> float:
        """Current at a time after the latest pulse began."""
        if t_s <= self.on_s or math.isinf(self.on_s):
            return self._start_a
        if t_s <= self.off_s:
            return self._rising_a(t_s)
        f = self._figures
        return flyback_current(
            t_s - self.off_s, self._peak_a, f.clamp_v, self.resistance_ohm, f.inductance_h
        )

    def _energy_j(self, until_s: float) -> float:
        """Heat of the pulse: the integral of R i**2 from on to off (or to ``until_s``)."""
        t = min(until_s, self.off_s) - self.on_s
        if not t > 0.0:
            return 0.0
        r, tau = self.resistance_ohm, self._figures.inductance_h / self.resistance_ohm
        final = self._figures.supply_v / r
        rise, fall = self._start_a - final, math.exp(-t / tau)
        return r * (
            final**2 * t
            + 2.0 * final * rise * tau * (1.0 - fall)
            + rise**2 * tau / 2.0 * (1.0 - fall**2)
        )

    def temperature_c(self, t_s: float) -> float:
        """Temperature of the coil at a time after the latest pulse began."""
        if math.isinf(self.on_s):
            return self._ambient_c
        f = self._figures
        warm = (self.start_c - self._ambient_c) * math.exp(
            -max(0.0, t_s - self.on_s) / f.thermal_time_constant_s
        )
        since = max(0.0, t_s - self.off_s)
        heat = self._energy_j(t_s) / f.heat_capacity_j_per_k
        return self._ambient_c + warm + heat * math.exp(-since / f.thermal_time_constant_s)

    @property
    def gone_s(self) -> float:
        """When the current of the latest pulse is gone."""
        f, r = self._figures, self.resistance_ohm
        return self.off_s + f.inductance_h / r * math.log1p(
            self.current_a(self.off_s) * r / f.clamp_v
        )

    def reaches_s(self, current_a: float) -> float:
        """When the rising current of the latest pulse passes a value; infinite: never."""
        f, r = self._figures, self.resistance_ohm
        final = f.supply_v / r
        if final <= current_a:
            return math.inf
        rise = math.log((final - min(self._start_a, current_a)) / (final - current_a))
        return self.on_s + f.inductance_h / r * rise
