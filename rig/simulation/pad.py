"""A pad with its sensor: what each contact sounds like, in closed form at any instant.

A stroke is the contact's force on the sensor (the direct path), the damped modes which that force
drives, and a later, broader arrival. Every part is a sum of exponentials once the contact is over,
so a stroke is exact at any sample time, whatever the sample rate.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import jn_zeros, jv

from rig.simulation.contact import PULSE_TERMS, Contact, pulse

# Frequency parameters of a free circular plate over (nodal diameters, nodal circles), Poisson's
# ratio 0.33; handbook values, from memory.
FREE_PLATE: dict[tuple[int, int], float] = {
    (2, 0): 5.253,
    (0, 1): 9.084,
    (3, 0): 12.23,
    (1, 1): 20.52,
    (4, 0): 21.6,
    (5, 0): 33.1,
    (2, 1): 35.25,
}
MEMBRANE = ((0, 1), (1, 1), (2, 1), (0, 2), (3, 1), (1, 2), (4, 1), (2, 2), (0, 3), (5, 1), (3, 2))
"""Lowest modes of a circular membrane (nodal diameters, nodal circles with the rim)."""

_SILENT = 1e-5  # a mode that has fallen below this share of full scale is left out
_LONGEST_TAIL_S = 1.2
_PIECE = 2048  # steps of a tail that are rendered as one
FIRST_PEAK_S = 2.5e-3
"""The level of a stroke is its peak within this time of contact."""

ONSET_SHARE = 0.01
"""The onset is where a stroke first passes this share of its own peak."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class PadFigures:
    """What one pad is made of.

    ``ring``: strength of the modes against the direct path. ``ring_s``: time in which the lowest
    mode falls to 1/e; higher ones fall faster, as frequency ** ``damping_power``.
    ``late_share``: later arrival over the first peak, ``late_delay_ms`` from contact to its own
    peak, ``late_width_ms`` long. ``drain_hz``: corner of the piezo with its load.
    """

    name: str
    kind: str
    lowest_hz: float
    ring: float
    ring_s: float
    damping_power: float
    modulus_pa: float
    restitution: float
    late_share: float
    late_delay_ms: float
    late_width_ms: float
    full_scale_n: float
    noise_rms: float
    hum: tuple[tuple[float, float], ...]
    sensor_position: float = 0.25
    drain_hz: float = 4.0
    crosstalk_share: float = 0.0
    crosstalk_delay_s: float = 0.0011


def mode_table(kind: str) -> list[tuple[int, float, float]]:
    """Modes of a pad as (nodal diameters, frequency over the lowest, radial parameter).

    ``membrane``: zeros of Bessel's functions; ``plate``: the free circular plate.

    Raises
    ------
    ValueError
        Another kind.
    """
    if kind == "membrane":
        zeros = [(m, float(jn_zeros(m, n)[-1])) for m, n in MEMBRANE]
        return [(m, z / zeros[0][1], z) for m, z in zeros]
    if kind == "plate":
        lowest = FREE_PLATE[(2, 0)]
        return [(m, p / lowest, math.sqrt(p)) for (m, _), p in FREE_PLATE.items()]
    raise ValueError(f"a pad's modes are of a membrane or a plate, not {kind!r}")


def driven(
    s: npt.NDArray[np.complex128], t_s: npt.NDArray[np.floating[Any]], duration_s: float
) -> npt.NDArray[np.complex128]:
    """Integral of exp(s (t - u)) over the contact's force: modes' states during the contact.

    Parameters
    ----------
    s
        Complex frequencies, 1/s, shape (modes,).
    t_s
        Times since the contact began, within 0..duration, shape (times,).
    duration_s
        Of the contact.

    Returns
    -------
    complex, shape (modes, times)
    """
    s2, t = s[:, None], t_s[None, :]
    total = np.zeros((len(s), len(t_s)), dtype=np.complex128)
    free = np.exp(s2 * t)
    for order, share in PULSE_TERMS:
        w = order * math.pi / duration_s
        # sin(w u) driven through exp(s t), both rotations of the sine taken together
        forced = (w * np.cos(w * t) + s2 * np.sin(w * t)) / (s2 * s2 + w * w)
        total += share * (w / (s2 * s2 + w * w) * free - forced)
    return total


class Pad:
    """A pad, ready to sound."""

    def __init__(self, figures: PadFigures) -> None:
        self.figures = figures
        modes = mode_table(figures.kind)
        self._diameters = np.array([m for m, _, _ in modes])
        ratio = np.array([r for _, r, _ in modes])
        self._radial = np.array([z for _, _, z in modes])
        omega = 2.0 * math.pi * figures.lowest_hz * ratio
        decay = ratio**figures.damping_power / figures.ring_s
        self.frequencies_hz = omega / (2.0 * math.pi)
        drain = 2.0 * math.pi * figures.drain_hz
        self.s = np.concatenate([[-drain + 0j], -decay + 1j * omega])  # slowest first
        self._at_sensor = jv(self._diameters, self._radial * figures.sensor_position)
        self._omega, self._drain = omega, drain

    def weights(self, position: float, angle_rad: float) -> npt.NDArray[np.float64]:
        """How much of each mode a strike at a place gives to the sensor; modes only."""
        shape = jv(self._diameters, self._radial * position) * np.cos(self._diameters * angle_rad)
        return np.asarray(self.figures.ring * shape * self._at_sensor)

    def coefficients(self, position: float, angle_rad: float) -> npt.NDArray[np.complex128]:
        """Complex share of each exponential in the sensor's voltage, the piezo's drain first."""
        modes = -1j * self._omega * self.weights(position, angle_rad)
        return np.concatenate([[-self._drain + 0j], modes])

    @functools.lru_cache(maxsize=8)  # noqa: B019 (a bench has one pad)
    def turns(self, step_s: float) -> npt.NDArray[np.float32]:
        """Every exponential over one piece of whole steps.

        float32, shape (2 x exponentials, piece): the real part of each, then minus its imaginary
        part, the slowest to fall first.
        """
        turns = np.exp(self.s[:, None] * (np.arange(_PIECE) * step_s)[None, :])
        return np.stack([turns.real, -turns.imag], axis=1).reshape(-1, _PIECE).astype(np.float32)

    def tail(self, state: npt.NDArray[np.complex128], step_s: float) -> npt.NDArray[np.float32]:
        """Sum of free exponentials from their state at step 0, until all have fallen silent."""
        turns, piece_s = self.turns(step_s), _PIECE * step_s
        pieces: list[npt.NDArray[np.float32]] = []
        onward = np.exp(self.s * piece_s)
        while len(pieces) * piece_s < _LONGEST_TAIL_S:
            heard = np.flatnonzero(np.abs(state) > _SILENT)
            if not len(heard):
                break
            rows = int(heard[-1]) + 1
            flat = np.stack([state.real, state.imag], axis=1)[:rows].ravel().astype(np.float32)
            pieces.append(flat @ turns[: 2 * rows])
            state = state * onward
        return np.concatenate(pieces) if pieces else np.zeros(0, dtype=np.float32)

    def sound(self, contact: Contact) -> StrokeSound:
        """What one contact sounds like on its own."""
        return StrokeSound(self, contact)


class StrokeSound:
    """The noise-free sensor voltage of one stroke alone, full scale 1.

    The sensor reads force: its peak in the first 2.5 ms, the later arrival left out, is the
    contact's peak force over the pad's full-scale force, however short the contact was.
    """

    def __init__(self, pad: Pad, contact: Contact) -> None:
        self.pad, self.contact = pad, contact
        self.duration_s = contact.duration_s
        self._c = pad.coefficients(contact.position, contact.angle_rad)
        f = pad.figures
        self._late_s = f.late_width_ms * 1e-3
        self._late_start_s = f.late_delay_ms * 1e-3 - self._late_s / 2.0
        self._end = driven(pad.s, np.array([self.duration_s]), self.duration_s)[:, 0]
        self.level = contact.force_n / f.full_scale_n
        self._scale = 1.0
        parts = self.parts(np.arange(1, 126) * (FIRST_PEAK_S / 125))
        self._scale = self.level / float(np.abs(parts["stroke"] + parts["ringing"]).max())

    def _struck(self, t_s: npt.NDArray[np.floating[Any]]) -> npt.NDArray[np.float64]:
        """Direct path and modes during the contact."""
        modes = (self._c[:, None] * driven(self.pad.s, t_s, self.duration_s)).real.sum(axis=0)
        return np.asarray(self._scale * (pulse(t_s / self.duration_s) + modes))

    def _late(self, t_s: npt.NDArray[np.floating[Any]]) -> npt.NDArray[np.float64]:
        phase = (t_s - self._late_start_s) / self._late_s
        return self.level * self.pad.figures.late_share * pulse(phase)

    @property
    def late_end_s(self) -> float:
        """End of the later arrival, from contact; 0 where the pad has none."""
        return self._late_start_s + self._late_s if self.pad.figures.late_share > 0.0 else 0.0

    def parts(self, t_s: npt.NDArray[np.floating[Any]]) -> dict[str, npt.NDArray[np.float64]]:
        """Voltage at times since contact, apart: ``stroke``, ``late peak``, ``ringing``."""
        t = np.asarray(t_s, dtype=np.float64)
        stroke, ringing = np.zeros(len(t)), np.zeros(len(t))
        inside = (t > 0.0) & (t <= self.duration_s)
        after = t > self.duration_s
        if inside.any():
            stroke[inside] = self._struck(t[inside])
        if after.any():
            free = np.exp(self.pad.s[:, None] * (t[after] - self.duration_s)[None, :])
            ringing[after] = self._scale * ((self._c * self._end)[:, None] * free).real.sum(axis=0)
        return {"stroke": stroke, "late peak": self._late(t), "ringing": ringing}

    def bound_after(self, t_s: float) -> float:
        """No part's absolute value is above this from a time since contact on."""
        if t_s <= max(self.duration_s, self.late_end_s):
            return math.inf
        fallen = np.exp(self.pad.s.real * (t_s - self.duration_s))
        return float(self._scale * (np.abs(self._c * self._end) * fallen).sum())

    def voltage(self, t_s: npt.NDArray[np.floating[Any]]) -> npt.NDArray[np.float64]:
        """Voltage at times since contact, shape as given."""
        return np.asarray(sum(self.parts(t_s).values()))

    def render(
        self, start_s: float, step_s: float, delay_s: float = 0.0
    ) -> tuple[int, npt.NDArray[np.float32]]:
        """Return the whole stroke at times start + n step, from the first n after its contact on.

        Returns
        -------
        first_n, samples
            float32; n may be negative when the contact came before the start.
        """
        began = self.contact.contact_s + delay_s
        first = math.ceil((began - start_s) / step_s)
        offset = start_s + first * step_s - began
        inside = max(0, math.ceil((self.duration_s - offset) / step_s))
        head = self._struck(offset + step_s * np.arange(inside))
        lead = offset + inside * step_s - self.duration_s
        state = self._scale * self._c * self._end * np.exp(self.pad.s * lead)
        samples = np.concatenate([head.astype(np.float32), self.pad.tail(state, step_s)])
        if self.late_end_s > 0.0:
            low = max(0, math.floor((self._late_start_s - offset) / step_s))
            high = math.ceil((self.late_end_s - offset) / step_s)
            if high > len(samples):
                samples = np.pad(samples, (0, high - len(samples)))
            late = self._late(offset + step_s * np.arange(low, high))
            samples[low:high] += late.astype(np.float32)
        return first, samples

    def render_force(self, start_s: float, step_s: float) -> tuple[int, npt.NDArray[np.float32]]:
        """Return the contact's force in newtons, at times as in :meth:`render`."""
        first = math.ceil((self.contact.contact_s - start_s) / step_s)
        offset = start_s + first * step_s - self.contact.contact_s
        phase = (offset + step_s * np.arange(math.ceil(self.duration_s / step_s))) / self.duration_s
        return first, (self.contact.force_n * pulse(phase)).astype(np.float32)

    @functools.cached_property
    def onset_s(self) -> float:
        """True onset: when this stroke alone first passes 1 % of its own peak.

        Peak of the first 40 ms, on a grid of 20 µs; the crossing on one of 0.5 µs, then along its
        chord.
        """
        peak = float(np.abs(self.render(self.contact.contact_s, 20e-6)[1][:2000]).max())
        limit = ONSET_SHARE * peak
        begin, span = 0.0, 50e-6
        while begin < self.duration_s:
            fine = begin + np.arange(101) * (span / 100)
            level = np.abs(self.voltage(fine))
            above = np.flatnonzero(level >= limit)
            if len(above):
                k = max(1, int(above[0]))
                share = (limit - level[k - 1]) / (level[k] - level[k - 1])
                return self.contact.contact_s + float(fine[k - 1] + share * (fine[k] - fine[k - 1]))
            begin += span
        return math.nan
