"""A solenoid striker: the plunger's flight, rebound and return."""

from __future__ import annotations

import math

from rig.simulation.coil import Coil
from rig.simulation.contact import Contact, hertz_impact, hertz_stiffness, joint_modulus
from rig.simulation.noise import generator
from rig.simulation.striker_figures import StrikerFigures

_DRIVEN_STEP_S = 20e-6
_COAST_STEP_S = 200e-6
_HORIZON_S = 0.25  # no flight or return lasts longer; after it the plunger is at rest
_SLOWEST_M_PER_S = 0.004  # slower than this the tip leans on the pad, or the plunger on its stop


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
        modulus = (
            figures.tip_modulus_pa
            if math.isinf(pad_modulus_pa)
            else joint_modulus(figures.tip_modulus_pa, pad_modulus_pa)
        )
        self._stiffness = hertz_stiffness(modulus, figures.tip_radius_m)
        self._strike = -1
        self._pulses = 0
        self._coil = Coil(figures, ambient_c)
        # time, position and velocity at the latest pulse's begin, and after its flight
        self._began = self._left = (0.0, 0.0, 0.0)
        self._draw = (0.0, 0.0, 0.0)

    def temperature_c(self, t_s: float) -> float:
        """Temperature of the coil at a time after the latest pulse began."""
        return self._coil.temperature_c(t_s)

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
        coil = self._coil
        if not (off_s >= on_s >= coil.on_s):
            raise ValueError(f"coil pulse from {on_s} s to {off_s} s after one at {coil.on_s} s")
        if math.isinf(coil.on_s) or on_s > coil.off_s + _HORIZON_S:
            x, v, current = 0.0, 0.0, 0.0
        else:
            x, v = self._follow(on_s)[1:]
            current = coil.current_a(on_s)
        coil.begin(on_s, off_s, current)
        self._began = self._left = (on_s, x, v)
        self._strike = self._strike + 1 if strike is None else strike
        self._draw = (0.0, 0.0, 0.0)
        if self._seed is not None:
            rng = generator(self._seed, "striker", self.figures.id, self._pulses)
            self._draw = tuple(float(z) for z in rng.standard_normal(3).clip(-3, 3))  # type: ignore[assignment]
        self._pulses += 1
        return self._follow(math.inf)[0]

    def cut(self, at_s: float) -> list[Contact]:
        """End the running pulse at ``at_s``; the contacts since its begin, as they are now."""
        if math.isinf(self._coil.on_s):
            return []
        self._coil.cut(at_s)
        self._left = self._began
        return self._follow(math.inf)[0]

    def _follow(self, until_s: float) -> tuple[list[Contact], float, float]:
        """Trace the plunger from the latest pulse's begin.

        Velocity Verlet steps (exact to the third order for this smooth force), cut at the kinks:
        coil on, coil off, current gone. Returns contacts, position and velocity at ``until_s``;
        with ``until_s`` infinite it ends as soon as no contact can follow, and whoever asks for a
        later time goes on from there.
        """
        f, coil = self.figures, self._coil
        gap, reach, pull = f.gap_m, f.pull_gap_m, f.pull_n_per_a2
        t, x, v = self._left if until_s > self._left[0] else self._began
        off, gone = coil.off_s, coil.gone_s
        end = min(until_s, off + _HORIZON_S)
        contacts: list[Contact] = []

        def acceleration(x: float, v: float, current: float) -> float:
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

        current, known_t = 0.0, math.nan
        while t < end:
            if x <= 0.0 and v == 0.0:  # at rest on the stop, until the pull breaks it loose
                t = max(t, coil.reaches_s(self._breakaway_a))
                if t >= min(end, off):
                    return contacts, 0.0, 0.0
            if until_s == math.inf and t >= gone and v <= 0.0:
                self._left = (t, x, v)
                break
            boundary = off if t < off else gone if t < gone else end
            step = min(_DRIVEN_STEP_S if t < gone else _COAST_STEP_S, min(boundary, end) - t)
            if step < 1e-12:
                t = math.nextafter(min(boundary, end), math.inf)
                continue
            if t != known_t:
                current = coil.current_a(t) if t < gone else 0.0
            a = acceleration(x, v, current)
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
            known_t = t + step
            current = coil.current_a(known_t) if known_t < gone else 0.0
            a1 = acceleration(x1, v + a * step, current)
            v1 = v + 0.5 * (a + a1) * step
            if x1 <= 0.0 and v1 <= 0.0:
                x1, v1 = 0.0, -f.stop_restitution * v1
                if v1 < _SLOWEST_M_PER_S:
                    v1 = 0.0
            t, x, v = known_t, x1, v1
        return contacts, max(0.0, min(x, gap)), v

    @property
    def _breakaway_a(self) -> float:
        """Current whose pull passes preload and friction at rest."""
        f = self.figures
        share = (1.0 + f.gap_m / f.pull_gap_m) ** 2
        return math.sqrt((f.preload_n + f.friction_n) * share / f.pull_n_per_a2)

    def _touch(self, t_s: float, velocity: float) -> Contact:
        f = self.figures
        # the force goes with velocity ** 1.2 (Hertz), so its spread is 1.2 times the velocity's
        speed = velocity * (1.0 + f.force_spread / 1.2 * self._draw[0])
        _, force, duration = hertz_impact(f.mass_kg, speed, self._stiffness, self._restitution)
        return Contact(
            strike=self._strike,
            striker=f.id,
            coil=self.coil,
            coil_on_s=self._coil.on_s,
            contact_s=t_s + f.flight_spread_s * self._draw[1],
            traced_s=t_s,
            velocity_m_per_s=speed,
            force_n=force,
            duration_s=duration,
            position=min(1.0, max(0.0, self._position + f.position_spread * self._draw[2])),
            angle_rad=f.angle_rad,
            temperature_c=self._coil.start_c,
        )
