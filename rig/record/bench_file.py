"""The bench file: facts of one station."""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from rig.record.quantity import Milliseconds, NotNegative, Percent, Positive, Text

LISTENS_ONLY = "none"
"""Port of a bench without a board: one that takes in recordings from outside."""

Role = Literal["sensor", "second_zone", "marker", "force", "din_line", "module_out"]


class _Table(msgspec.Struct, kw_only=True, frozen=True, forbid_unknown_fields=True):
    pass


class BoardPort(_Table, kw_only=True, frozen=True):
    """Where the controller board is: a serial number (preferred), or a port or URL."""

    serial_number: str = ""
    port: str = ""
    baud: Annotated[int, Meta(ge=300)] = 1_000_000


class AudioChannel(_Table, kw_only=True, frozen=True):
    """What is plugged into one input; channels count from 1."""

    number: Annotated[int, Meta(ge=1, le=256)]
    role: Role
    newtons_per_full_scale: Positive | None = None


class Audio(_Table, kw_only=True, frozen=True):
    """The audio interface. ``device = "board"``: the inputs that come with the board's port."""

    device: Text
    channels: Annotated[tuple[AudioChannel, ...], Meta(min_length=1)] = msgspec.field(
        name="channel"
    )
    host_api: str = ""
    sample_rate_hz: Annotated[int, Meta(ge=8_000, le=768_000)] = 96_000


class HostPath(_Table, kw_only=True, frozen=True):
    """A note's way into this computer, as measured against a surer source."""

    date: str = ""
    """Day of the measurement, YYYY-MM-DD, if known."""
    delay_ms: Annotated[float, Meta(ge=-1000, le=1000)]
    """Host's stamp less the end of the note on the DIN wire, in the mean."""
    delay_uncertainty_ms: NotNegative
    """Standard uncertainty of that."""
    jitter_ms: NotNegative
    """Standard deviation of one note."""


class Midi(_Table, kw_only=True, frozen=True):
    """Where notes come in: the board's DIN input, and a host port by exact name if given."""

    board_din: bool = True
    host_port: str = ""
    host_delay_at_most_ms: Positive = 10.0
    """What a note's way into the computer is taken to last at most, where it isn't measured."""
    host_path: HostPath | None = None


class Calibration(_Table, kw_only=True, frozen=True):
    """Pulse width against peak force of one striker, as measured on this bench."""

    date: str
    """Day of the measurement, YYYY-MM-DD."""
    reference_serial: str
    widths_us: Annotated[tuple[Positive, ...], Meta(min_length=2)]
    forces_n: Annotated[tuple[Positive, ...], Meta(min_length=2)]
    flights_ms: tuple[Annotated[float, Meta(gt=0, le=1000)], ...] = ()
    """Coil on to contact at each width, where measured."""
    uncertainty_percent: Percent = 5.0
    spread_percent: NotNegative | None = None
    """Standard deviation of one stroke's force."""
    coil_temperature_c: float | None = None
    """Temperature of the coil that the forces are of."""
    striker_serial: str = ""
    """Striker that was measured; another one in its place is not calibrated by it."""
    method: str = ""
    """How the curve was fitted, and how well."""


class StrikerFacts(_Table, kw_only=True, frozen=True):
    """One solenoid striker with its limits."""

    id: Text
    serial: str = ""
    coil_resistance_ohm: Positive
    coil_inductance_mh: Positive
    supply_v: Positive
    longest_pulse_us: Annotated[float, Meta(gt=0, le=32_767)]
    least_gap_ms: Milliseconds
    """Shortest time from pulse to pulse in which the plunger is surely back."""
    thermal_time_constant_s: Annotated[float, Meta(gt=0, le=1_000_000)]
    duty_percent: Percent
    """Duty that the coil stands for ever, at its supply."""
    heat_capacity_j_per_k: Positive | None = None
    """Of the coil: how fast strokes warm it."""
    flight_ms: Annotated[float, Meta(ge=0, le=1000)] = 8.0
    """Coil on to contact, roughly, where no calibration says it better."""
    calibration: Calibration | None = None


class BenchLimits(_Table, kw_only=True, frozen=True):
    """What the host asks the board to enforce; the board's own constants stand above."""

    armed_s: Annotated[float, Meta(gt=0, le=1_000_000)] = 120.0
    host_silence_ms: Milliseconds = 500.0
    horizon_s: Annotated[float, Meta(ge=5, le=1_000_000)] = 60.0
    supply_least_v: Positive = 20.0
    supply_most_v: Positive = 28.0


class Ambient(_Table, kw_only=True, frozen=True):
    """The room."""

    temperature_c: Annotated[float, Meta(ge=-40, le=85)] = 21.0
    humidity_percent: Annotated[float, Meta(ge=0, le=100)] | None = None


class BenchFile(_Table, kw_only=True, frozen=True):
    """A whole bench file."""

    format: Literal[1]
    name: Text
    board: BoardPort
    audio: Audio
    strikers: Annotated[tuple[StrikerFacts, ...], Meta(max_length=3)] = msgspec.field(
        name="striker", default=()
    )
    calibration_valid_days: Positive = 90.0
    """Age of a calibration from which on the program warns."""
    midi: Midi = Midi()
    limits: BenchLimits = BenchLimits()
    ambient: Ambient = Ambient()

    @property
    def host_alone(self) -> bool:
        """Notes come in by a host port and by nothing surer."""
        line = any(channel.role == "din_line" for channel in self.audio.channels)
        return bool(self.midi.host_port) and not self.midi.board_din and not line
