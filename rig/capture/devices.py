"""Audio inputs and MIDI ports of this computer, found by exact name."""

from __future__ import annotations

import contextlib
import dataclasses
import os
from collections.abc import Iterator
from typing import Any

from rig.capture.late_import import load_rtmidi, load_sounddevice
from rig.record.bench_fault import BenchError


@dataclasses.dataclass(frozen=True, kw_only=True)
class AudioInput:
    """One audio device with inputs; ``index`` is the audio system's, and only good for now."""

    index: int
    name: str
    host_api: str
    channels: int
    usual_rate_hz: float

    def __str__(self) -> str:
        return (
            f'"{self.name}" ({self.host_api}; {self.channels} inputs, '
            f"usually {self.usual_rate_hz:.0f} Hz)"
        )


@dataclasses.dataclass(frozen=True, kw_only=True)
class MidiInput:
    """One MIDI port that can be heard; ``api`` is rtmidi's number of the system behind it."""

    name: str
    api: int
    api_name: str

    def __str__(self) -> str:
        return f'"{self.name}" ({self.api_name})'


@contextlib.contextmanager
def hushed() -> Iterator[None]:
    """Keep what audio libraries print on their own off the person's terminal."""
    try:
        kept = os.dup(2)
    except OSError:
        yield
        return
    nothing = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nothing, 2)
    try:
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nothing)


def audio_inputs(*, again: bool = False) -> list[AudioInput]:
    """List devices that have inputs.

    Parameters
    ----------
    again
        Ask the audio system afresh: it lists devices once, when it starts. Not while a stream runs.

    Raises
    ------
    BenchError
        The audio library is missing or does not start.
    """
    with hushed():
        sounddevice = load_sounddevice()
        try:
            if again:
                sounddevice._terminate()
                sounddevice._initialize()
            apis = sounddevice.query_hostapis()
            found = list(sounddevice.query_devices())
        except sounddevice.PortAudioError as error:
            raise BenchError(f"listing audio devices: the audio system says: {error}") from error
    return [
        AudioInput(
            index=index,
            name=device["name"],
            host_api=apis[device["hostapi"]]["name"],
            channels=device["max_input_channels"],
            usual_rate_hz=device["default_samplerate"],
        )
        for index, device in enumerate(found)
        if device["max_input_channels"] > 0
    ]


def find_audio_input(name: str, host_api: str = "") -> AudioInput:
    """Give the one device of exactly this name (and host API, if one is given).

    Raises
    ------
    BenchError
        None or several fit; the sentence lists what is there.
    """
    present = audio_inputs()
    fitting = [
        device for device in present if device.name == name and host_api in ("", device.host_api)
    ]
    if len(fitting) == 1:
        return fitting[0]
    wanted = f'"{name}"' + (f" of {host_api}" if host_api else "")
    listed = "; ".join(map(str, fitting or present)) or "no device with inputs"
    if fitting:
        raise BenchError(
            f"looking for the audio device {wanted}: {len(fitting)} fit: {listed}; "
            "name its host_api in the bench file too"
        )
    raise BenchError(
        f"looking for the audio device {wanted}: it is not there; found: {listed}; "
        "plug it in, or put its exact name into the bench file"
    )


def open_midi(rtmidi: Any, api: int) -> Any:
    """Give an rtmidi input of one system, or None where that system does not run."""
    with hushed():
        try:
            return rtmidi.MidiIn(api, "strikebench")
        except Exception:
            # rtmidi raises SystemError, RtMidiError and others for a system that isn't there.
            return None


def midi_inputs() -> list[MidiInput]:
    """List MIDI ports of all systems that run; BenchError if the MIDI library is missing."""
    rtmidi = load_rtmidi()
    found: list[MidiInput] = []
    for api in rtmidi.get_compiled_api():
        port = open_midi(rtmidi, api)
        if port is None:
            continue
        with hushed():
            names = port.get_ports()
            port.delete()
        shown = rtmidi.get_api_display_name(api)
        found += [MidiInput(name=name, api=api, api_name=shown) for name in names]
    return found


def find_midi_input(name: str) -> MidiInput:
    """Give the one MIDI port of exactly this name; BenchError if none or several fit."""
    present = midi_inputs()
    fitting = [port for port in present if port.name == name]
    if len(fitting) == 1:
        return fitting[0]
    listed = "; ".join(map(str, fitting or present)) or "no port"
    found = f"{len(fitting)} fit" if fitting else "it is not there"
    raise BenchError(
        f'looking for the MIDI port "{name}": {found}; found: {listed}; plug it in, or put its '
        "exact name into the bench file (host_port)"
    )
