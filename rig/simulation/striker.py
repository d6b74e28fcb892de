"""A solenoid striker: coil current, copper heating, the plunger's flight, rebound and return."""

from __future__ import annotations

import dataclasses
import math

from rig.simulation.contact import Contact, hertz_impact, hertz_stiffness, joint_modulus
from rig.simulation.noise import generator

COPPER_PER_K = 0.00393
"""Temperature coefficient of copper's resistance at 20 °C (IEC 60028, secondary)."""

_DRIVEN_STEP_S = 20e-6
_COAST_STEP_S = 200e-6
_HORIZON_S = 0.25  # no flight or return lasts longer; after it the plunger is at rest
_SLOWEST_M_PER_S = 0.004  # slower than this the tip leans on the pad, or the plunger on its stop


@dataclasses.dataclass(frozen=True, kw_only=True)
class StrikerFigures:
    """What one striker is made of.

    The pull is ``pull_n_per_a2 * i**2 / (1 + (gap_m - x) / pull_gap_m)**2``: it grows as the
    plunger closes its air gap.
    """

    id: str
    mass_kg: float
    gap_m: float
    resistance_ohm: float
    inductance_h: float
    supply_v: float
    clamp_v: float
    pull_n_per_a2: float
    pull_gap_m: float
    preload_n: float
    spring_n_per_m: float
    friction_n: float
    tip_modulus_pa: float
    tip_radius_m: float
    heat_capacity_j_per_k: float
    thermal_time_constant_s: float
    angle_rad: float
    stop_restitution: float = 0.2
    force_spread: float = 0.02
    flight_spread_s: float = 60e-6
    position_spread: float = 0.01


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


class Striker:
    """One striker over a pad, with its memory: where the plunger is, and how warm the coil.

    Parameters
    ----------
    figures
        What it is made of.
    coil
        Number of its coil.
    pad_modulus_pa, restitution
        Of the pad that it strikes.
    position
        Where it strikes: 0 centre, 1 edge.
    seed
        Of its spread; ``None``: none.
    ambient_c
        Temperature of the room, and of the coil at the start.
    """

    def __init__(
        self,
        figures: StrikerFigures,
        *,
        coil: int = 0,
        pad_modulus_pa: float = math.inf,
        restitution: float = 0.5,
        position: float = 0.5,
        seed: int | None = None,
        ambient_c: float = 21.0,
    ) -> None:
        self.figures, self.coil = figures, coil
        self._restitution, self._position, self._seed = restitution, position, seed
        self._ambient_c = ambient_c
        modulus = (
            figures.tip_modulus_pa
            if math.isinf(pad_modulus_pa)
            else joint_modulus(figures.tip_modulus_pa, pad_modulus_pa)
        )
        self._stiffness = hertz_stiffness(modulus, figures.tip_radius_m)
        self._strike = -1
        self._pulses = 0
        # the state when the latest pulse began; everything since follows from it
        self._on_s, self._off_s = -math.inf, -math.inf
        self._x_m, self._v_m_per_s = 0.0, 0.0
        self._start_a = 0.0
        self._temperature_c = ambient_c
        self._draw = (0.0, 0.0, 0.0)

    # -- coil ---------------------------------------------------------------------------------

    @property
    def _resistance(self) -> float:
        return copper_resistance(self.figures.resistance_ohm, self._temperature_c)

    def _current(self, t_s: float) -> float:
        if t_s <= self._on_s or math.isinf(self._on_s):
            return self._start_a
        f, r = self.figures, self._resistance
        if t_s <= self._off_s:
            return coil_current(t_s - self._on_s, f.supply_v, r, f.inductance_h, self._start_a)
        peak = coil_current(self._off_s - self._on_s, f.supply_v, r, f.inductance_h, self._start_a)
        return flyback_current(t_s - self._off_s, peak, f.clamp_v, r, f.inductance_h)

    def _energy_j(self, until_s: float) -> float:
        """Heat of the pulse: the integral of R i**2 from on to off (or to ``until_s``)."""
        t = min(until_s, self._off_s) - self._on_s
        if not t > 0.0:
            return 0.0
        r, tau = self._resistance, self.figures.inductance_h / self._resistance
        final = self.figures.supply_v / r
        rise, fall = self._start_a - final, math.exp(-t / tau)
        return r * (
            final**2 * t
            + 2.0 * final * rise * tau * (1.0 - fall)
            + rise**2 * tau / 2.0 * (1.0 - fall**2)
        )

    def temperature_c(self, t_s: float) -> float:
        """Temperature of the coil at a time after the latest pulse began."""
        if math.isinf(self._on_s):
            return self._ambient_c
        f = self.figures
        warm = (self._temperature_c - self._ambient_c) * math.exp(
            -max(0.0, t_s - self._on_s) / f.thermal_time_constant_s
        )
        since = max(0.0, t_s - self._off_s)
        heat = self._energy_j(t_s) / f.heat_capacity_j_per_k
        return self._ambient_c + warm + heat * math.exp(-since / f.thermal_time_constant_s)

    # -- pulses -------------------------------------------------------------------------------

    def strike(self, on_s: float, off_s: float, strike: int | None = None) -> list[Contact]:
        """Pulse the coil and follow the plunger.

        Parameters
        ----------
        on_s, off_s
            Coil on and off; on_s not before the last pulse's.
        strike
            Number given to the contacts; counted on where ``None``.

        Returns
        -------
        list[Contact]
            The contacts that follow, while no other pulse or cut comes: none when the pulse is too
            weak, several when the coil is still on at the rebound.

        Raises
        ------
        ValueError
            The pulse is NaN, ends before it begins, or begins before the last one.
        """
        if not (off_s >= on_s >= self._on_s):
            raise ValueError(f"coil pulse from {on_s} s to {off_s} s after one at {self._on_s} s")
        if math.isinf(self._on_s) or on_s > self._off_s + _HORIZON_S:
            x, v, current = 0.0, 0.0, 0.0
        else:
            x, v = self._follow(on_s)[1:]
            current = self._current(on_s)
        self._temperature_c = self.temperature_c(on_s)
        self._on_s, self._off_s = on_s, off_s
        self._x_m, self._v_m_per_s, self._start_a = x, v, current
        self._strike = self._strike + 1 if strike is None else strike
        self._draw = (0.0, 0.0, 0.0)
        if self._seed is not None:
            rng = generator(self._seed, "striker", self.figures.id, self._pulses)
            self._draw = tuple(float(z) for z in rng.standard_normal(3).clip(-3, 3))  # type: ignore[assignment]
        self._pulses += 1
        return self._follow(math.inf)[0]

    def cut(self, at_s: float) -> list[Contact]:
        """End the running pulse at ``at_s``; the contacts since its begin, as they are now."""
        if math.isinf(self._on_s):
            return []
        self._off_s = max(self._on_s, min(self._off_s, at_s))
        return self._follow(math.inf)[0]

    def _follow(self, until_s: float) -> tuple[list[Contact], float, float]:
        """Trace the plunger from the latest pulse's begin.

        Velocity Verlet steps (exact to the third order for this smooth force), cut at the kinks:
        coil on, coil off, current gone. Returns contacts, position and velocity at ``until_s``;
        with ``until_s`` infinite it ends as soon as no contact can follow.
        """
        f = self.figures
        gap, reach, pull = f.gap_m, f.pull_gap_m, f.pull_n_per_a2
        t, x, v = self._on_s, self._x_m, self._v_m_per_s
        gone = self._off_s + f.inductance_h / self._resistance * math.log1p(
            self._current(self._off_s) * self._resistance / f.clamp_v
        )
        end = min(until_s, self._off_s + _HORIZON_S)
        contacts: list[Contact] = []

        def acceleration(x: float, v: float, t: float) -> float:
            current = self._current(t) if t < gone else 0.0
            force = pull * current * current / (1.0 + (gap - x) / reach) ** 2
            force -= f.preload_n + f.spring_n_per_m * x
            if v > 0.0:
                force -= f.friction_n
            elif v < 0.0:
                force += f.friction_n
            elif abs(force) <= f.friction_n or (x <= 0.0 and force < 0.0):
                force = 0.0
            elif force > 0.0:
                force -= f.friction_n
            else:
                force += f.friction_n
            return force / f.mass_kg

        while t < end:
            if x <= 0.0 and v == 0.0:  # at rest on the stop, until the pull breaks it loose
                t = max(t, self._breakaway_s())
                if t >= min(end, self._off_s):
                    return contacts, 0.0, 0.0
            if until_s == math.inf and t >= gone and v <= 0.0:
                break
            boundary = self._off_s if t < self._off_s else gone if t < gone else end
            step = min(_DRIVEN_STEP_S if t < gone else _COAST_STEP_S, min(boundary, end) - t)
            if step < 1e-12:
                t = math.nextafter(min(boundary, end), math.inf)
                continue
            a = acceleration(x, v, t)
            x1 = x + v * step + 0.5 * a * step * step
            if x1 >= gap and (v > 0.0 or a > 0.0):
                left = max(0.0, gap - x)
                reach_v = math.sqrt(max(0.0, v * v + 2.0 * a * left))
                h = 2.0 * left / (v + reach_v) if v + reach_v > 0.0 else step
                if reach_v < _SLOWEST_M_PER_S:  # leans on the pad while the coil holds it there
                    t, x, v = t + step, gap, 0.0
                    continue
                contact = self._touch(t + h, reach_v)
                contacts.append(contact)
                t, x, v = t + h + contact.duration_s, gap, -self._restitution * reach_v
                continue
            a1 = acceleration(x1, v + a * step, t + step)
            v1 = v + 0.5 * (a + a1) * step
            if x1 <= 0.0 and v1 <= 0.0:
                x1, v1 = 0.0, -f.stop_restitution * v1
                if v1 < _SLOWEST_M_PER_S:
                    v1 = 0.0
            t, x, v = t + step, x1, v1
        return contacts, max(0.0, min(x, gap)), v

    def _breakaway_s(self) -> float:
        """When the rising pull of the latest pulse passes preload and friction at rest."""
        f, r = self.figures, self._resistance
        share = (1.0 + f.gap_m / f.pull_gap_m) ** 2
        needed = math.sqrt((f.preload_n + f.friction_n) * share / f.pull_n_per_a2)
        final = f.supply_v / r
        if final <= needed:
            return math.inf
        rise = math.log((final - min(self._start_a, needed)) / (final - needed))
        return self._on_s + f.inductance_h / r * rise

    def _touch(self, t_s: float, velocity: float) -> Contact:
        f = self.figures
        # the force goes with velocity ** 1.2 (Hertz), so its spread is 1.2 times the velocity's
        speed = velocity * (1.0 + f.force_spread / 1.2 * self._draw[0])
        _, force, duration = hertz_impact(f.mass_kg, speed, self._stiffness, self._restitution)
        return Contact(
            strike=self._strike,
            striker=f.id,
            coil=self.coil,
            coil_on_s=self._on_s,
            contact_s=t_s + f.flight_spread_s * self._draw[1],
            traced_s=t_s,
            velocity_m_per_s=speed,
            force_n=force,
            duration_s=duration,
            position=min(1.0, max(0.0, self._position + f.position_spread * self._draw[2])),
            angle_rad=f.angle_rad,
            temperature_c=self._temperature_c,
        )
