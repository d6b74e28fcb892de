"""Device libraries, loaded only when a device is asked for."""

from __future__ import annotations

from typing import Any

from rig.record.bench_fault import BenchError


def load_sounddevice() -> Any:
    """Give the module sounddevice; BenchError says what to install if it can't be loaded."""
    try:
        import sounddevice
    except (ImportError, OSError) as error:
        raise BenchError(
            f"opening the audio system: {error}; install the Python package sounddevice, and the "
            "PortAudio library (Debian: libportaudio2)"
        ) from error
    return sounddevice


def load_rtmidi() -> Any:
    """Give the module rtmidi; BenchError says what to install if it can't be loaded."""
    try:
        import rtmidi
    except (ImportError, OSError) as error:
        raise BenchError(
            f"opening the MIDI system: {error}; install the Python package python-rtmidi"
        ) from error
    return rtmidi
