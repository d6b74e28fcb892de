"""``strikebench devices``: what is plugged in, by the names that a bench file wants."""

from __future__ import annotations

from serial.tools import list_ports

from rig.capture.devices import audio_inputs, midi_inputs
from rig.cli.console import results, told
from rig.record.bench_fault import BenchError


def devices() -> None:
    """List serial ports, audio inputs and MIDI ports."""
    ports = [
        f"{port.device}  {port.description}  serial number {port.serial_number or 'none'}"
        for port in sorted(list_ports.comports())
    ]
    _print("Serial ports (board: serial_number or port)", ports)
    for heading, find in (
        ("Audio inputs (audio: device, host_api)", audio_inputs),
        ("MIDI ports (midi: host_port)", midi_inputs),
    ):
        try:
            _print(heading, [str(device) for device in find()])
        except BenchError as error:
            _print(heading, [])
            told.print(f"strikebench: {error}")


def _print(heading: str, lines: list[str]) -> None:
    results.print(heading)
    for line in lines or ["none"]:
        results.print(f"  {line}")
