"""The bench file: facts of one station."""

from __future__ import annotations

from typing import Literal

import msgspec

Role = Literal["sensor", "second_zone", "marker", "force", "din_line", "module_out"]


class _Table(msgspec.Struct, kw_only=True, frozen=True, forbid_unknown_fields=True):
    pass


class BoardPort(_Table, kw_only=True, frozen=True):
    """Where the controller board is: a serial number (preferred), or a port or URL."""

    serial_number: str = ""
    port: str = ""
    baud: int = 1_000_000


class AudioChannel(_Table, kw_only=True, frozen=True):
    """What is plugged into one input; channels count from 1."""

    number: int
    role: Role
    newtons_per_full_scale: float | None = None


class Audio(_Table, kw_only=True, frozen=True):
    """The audio interface. ``device = "board"``: the inputs that come with the board's port."""

    device: str
    channels: tuple[AudioChannel, ...]
    host_api: str = ""
    sample_rate_hz: int = 96_000


class Midi(_Table, kw_only=True, frozen=True):
    """Where notes come in: the board's DIN input, and a host port by exact name if given."""

    board_din: bool = True
    host_port: str = ""


class Calibration(_Table, kw_only=True, frozen=True):
    """Pulse width against peak force of one striker, as measured on this bench."""

    date: str
    reference_serial: str
    widths_us: tuple[float, ...]
    forces_n: tuple[float, ...]
    flights_ms: tuple[float, ...] = ()
    """Coil on to contact at each width, where measured."""
    uncertainty_percent: float = 5.0


class StrikerFacts(_Table, kw_only=True, frozen=True):
    """One solenoid striker with its limits."""

    id: str
    serial: str = ""
    coil_resistance_ohm: float
    coil_inductance_mh: float
    supply_v: float
    longest_pulse_us: float
    least_gap_ms: float
    """Shortest time from pulse to pulse in which the plunger is surely back."""
    thermal_time_constant_s: float
    duty_percent: float
    """Duty that the coil stands for ever, at its supply."""
    flight_ms: float = 8.0
    """Coil on to contact, roughly, where no calibration says it better."""
    calibration: Calibration | None = None


class BenchLimits(_Table, kw_only=True, frozen=True):
    """What the host asks the board to enforce; the board's own constants stand above."""

    armed_s: float = 120.0
    host_silence_ms: float = 500.0
    horizon_s: float = 60.0
    supply_least_v: float = 20.0
    supply_most_v: float = 28.0


class Ambient(_Table, kw_only=True, frozen=True):
    """The room."""

    temperature_c: float = 21.0
    humidity_percent: float | None = None


class BenchFile(_Table, kw_only=True, frozen=True):
    """A whole bench file."""

    format: int
    name: str
    board: BoardPort
    audio: Audio
    strikers: tuple[StrikerFacts, ...]
    midi: Midi = Midi()
    limits: BenchLimits = BenchLimits()
    ambient: Ambient = Ambient()
