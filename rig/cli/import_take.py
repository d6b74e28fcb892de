"""``strikebench import``: a run folder out of a recording from outside."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from rig.cli.console import told


def import_take(
    audio: Annotated[Path, typer.Option(help="WAV, RF64 or FLAC file of the take.")],
    sensor_channel: Annotated[int, typer.Option(help="Channel of the sensor, counted from 1.")],
    out: Annotated[Path, typer.Option(help="Run folder to make; it must not exist.")],
    marker_channel: Annotated[
        int | None, typer.Option(help="Channel of the marker, counted from 1.")
    ] = None,
    midi: Annotated[
        Path | None,
        typer.Option(help="Standard MIDI file, or CSV: time_s on the audio clock, note, velocity."),
    ] = None,
    strikes: Annotated[
        Path | None,
        typer.Option(
            help="CSV: time_s on the board's clock, striker; force_n, stage, pattern if known."
        ),
    ] = None,
    specimen: Annotated[
        str | None, typer.Option(help="Specimen file: what was under test.")
    ] = None,
    protocol: Annotated[
        str | None, typer.Option(help="Protocol file: its limits are held against the take.")
    ] = None,
) -> None:
    """Make a run folder out of a recording, its notes and its plan."""
    from rig.capture.bring_in import bring_in

    folder, doubts = bring_in(
        audio=audio,
        sensor_channel=sensor_channel,
        marker_channel=marker_channel,
        midi=midi,
        strikes=strikes,
        specimen=specimen,
        out=out,
        protocol=protocol,
    )
    told.print(f"{folder}: made. Next: strikebench analyse {folder}")
    for doubt in doubts:
        told.print(f"  {doubt}")
