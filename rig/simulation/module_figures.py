"""What a module does, and what it has sent."""

from __future__ import annotations

import dataclasses


@dataclasses.dataclass(frozen=True, kw_only=True)
class ModuleFigures:
    """What the module does.

    The six detector settings bear the names of the specimen file. ``full_level``: level at the
    converter, of full scale, that yields velocity 127. ``zone_ratio``: the second zone sounds when
    its level is above this share of the first's. Its sound is rendered a buffer at a time: a note
    sounds from the begin of the buffer after the next, and a converter's delay later.
    ``interference_per_h``: how often a short pulse of
    ``interference_level`` gets into its input. ``status_sent``: its last message before all begins
    was a note-on.
    """

    name: str
    firmware: str
    gain_db: float = 0.0
    threshold_percent: float = 1.6
    peak_window_ms: float = 2.0
    dead_time_ms: float = 13.0
    release_ms: float = 22.0
    curve_exponent: float = 1.0
    full_level: float = 0.625
    sample_rate_hz: float = 16_000.0
    clock_ppm: float = 60.0
    noise_rms: float = 3e-4
    poll_period_ms: float = 1.0
    poll_jitter_ms: float = 0.05
    processing_ms: float = 0.4
    channel: int = 10
    note: int = 38
    second_note: int = 40
    note_hold_ms: float = 60.0
    running_status: bool = True
    status_sent: bool = False
    zero_velocity_off: bool = True
    sensing_ms: float = 0.0
    zone_ratio: float = 0.5
    interference_per_h: float = 0.0
    interference_level: float = 0.04
    sound_rate_hz: float = 48_000.0
    sound_buffer_frames: float = 64.0
    sound_converter_ms: float = 0.8
    usb_spread_ms: float = 0.3


@dataclasses.dataclass(frozen=True, kw_only=True)
class ModuleNote:
    """One note that the module sent, and why.

    ``trigger_s``: when its input passed the level; ``ready_s``: when its main loop sent it;
    ``end_s``: end of its last byte on the DIN wire; ``host_s``: when a host on its USB port has it;
    ``sound_s``: when its own sound begins at its output.
    ``strike``: the coil pulse behind it, -1 for none. ``reason``: ``stroke``, ``late peak``,
    ``ringing``, ``noise`` or ``crosstalk``.
    """

    trigger_s: float
    ready_s: float
    start_s: float
    end_s: float
    host_s: float
    sound_s: float
    note: int
    velocity: int
    strike: int
    striker: str
    reason: str
