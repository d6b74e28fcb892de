"""The specimen file: the pad and the module under test, with the settings in force."""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from rig.record.quantity import Newtons, Share, Text

Exponent = Annotated[float, Meta(ge=0.01, le=100)]
Window = Annotated[float, Meta(ge=0, le=10_000)]
"""In ms."""


class _Table(msgspec.Struct, kw_only=True, frozen=True, forbid_unknown_fields=True):
    pass


class Zone(_Table, kw_only=True, frozen=True):
    """A zone of the pad and the note the module gives for it."""

    id: Text
    note: Annotated[int, Meta(ge=0, le=127)]


class Pad(_Table, kw_only=True, frozen=True):
    """The pad."""

    name: Text
    serial: str = ""
    mounting: str = ""
    strike_position: Share = 0.5
    """Where it is struck: 0 centre, 1 edge."""


class DeclaredCurve(_Table, kw_only=True, frozen=True):
    """The velocity curve that the maker declares: velocity ~ force ** exponent."""

    exponent: Exponent = 1.0
    least_force_n: Newtons | None = None
    most_force_n: Newtons | None = None


class Settings(_Table, kw_only=True, frozen=True):
    """Detector settings in force. ``None``: not known."""

    gain_db: Annotated[float, Meta(ge=-120, le=120)] | None = None
    threshold_percent: Annotated[float, Meta(ge=0, le=100)] | None = None
    peak_window_ms: Window | None = None
    dead_time_ms: Window | None = None
    release_ms: Annotated[float, Meta(ge=0.01, le=10_000)] | None = None
    """Time in which the re-arming level falls to 1/e after the dead time."""
    curve_exponent: Exponent | None = None


class Module(_Table, kw_only=True, frozen=True):
    """The module under test."""

    name: Text
    firmware: Text
    serial: str = ""
    midi_channel: Annotated[int, Meta(ge=1, le=16)] = 10
    running_status_from_before: bool = False
    """Its last status before a run is a note-on of its channel, and may be left out in the run."""
    zones: Annotated[tuple[Zone, ...], Meta(min_length=1)] = msgspec.field(
        name="zone", default=(Zone(id="head", note=38),)
    )
    """The first zone is the one that is struck."""

    @property
    def status_before(self) -> int:
        """Status byte in force when a recording begins; -1: not known."""
        return 0x90 | (self.midi_channel - 1) if self.running_status_from_before else -1

    declared_curve: DeclaredCurve = DeclaredCurve()
    settings: Settings = Settings()


class Simulated(_Table, kw_only=True, frozen=True):
    """What a simulated bench is to put under its strikers."""

    pad: Text
    module: Text
    firmware: str = ""
    faults: tuple[str, ...] = ()


class Specimen(_Table, kw_only=True, frozen=True):
    """A whole specimen file."""

    format: Literal[1]
    pad: Pad
    module: Module
    simulated: Simulated | None = None


BoardSource = Literal["board_din", "host", "din_line", "import"]
