"""The specimen file: the pad and the module under test, with the settings in force."""

from __future__ import annotations

from typing import Literal

import msgspec


class _Table(msgspec.Struct, kw_only=True, frozen=True, forbid_unknown_fields=True):
    pass


class Zone(_Table, kw_only=True, frozen=True):
    """A zone of the pad and the note the module gives for it."""

    id: str
    note: int


class Pad(_Table, kw_only=True, frozen=True):
    """The pad."""

    name: str
    serial: str = ""
    mounting: str = ""
    strike_position: float = 0.5
    """Where it is struck: 0 centre, 1 edge."""


class DeclaredCurve(_Table, kw_only=True, frozen=True):
    """The velocity curve that the maker declares: velocity ~ force ** exponent."""

    exponent: float = 1.0
    least_force_n: float | None = None
    most_force_n: float | None = None


class Settings(_Table, kw_only=True, frozen=True):
    """Detector settings in force. ``None``: not known."""

    gain_db: float | None = None
    threshold_percent: float | None = None
    peak_window_ms: float | None = None
    dead_time_ms: float | None = None
    release_ms: float | None = None
    """Time in which the re-arming level falls to 1/e after the dead time."""
    curve_exponent: float | None = None


class Module(_Table, kw_only=True, frozen=True):
    """The module under test."""

    name: str
    firmware: str
    serial: str = ""
    midi_channel: int = 10
    zones: tuple[Zone, ...] = (Zone(id="head", note=38),)
    """The first zone is the one that is struck."""
    declared_curve: DeclaredCurve = DeclaredCurve()
    settings: Settings = Settings()


class Simulated(_Table, kw_only=True, frozen=True):
    """What a simulated bench is to put under its strikers."""

    pad: str
    module: str
    firmware: str = ""
    faults: tuple[str, ...] = ()


class Specimen(_Table, kw_only=True, frozen=True):
    """A whole specimen file."""

    format: int
    pad: Pad
    module: Module
    simulated: Simulated | None = None


BoardSource = Literal["board_din", "host", "din_line", "import"]
