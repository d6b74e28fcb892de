"""``strikebench level``: noise, hardest tap and head room of each channel."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Annotated

import numpy as np
import numpy.typing as npt
import soundfile
import typer
from rich.live import Live

from rig.capture.audio import InterfaceAudio
from rig.capture.level import LevelMeter
from rig.cli.console import results, told
from rig.cli.exit_code import ExitCode
from rig.discovery import find_port
from rig.intake import FROM_BOARD, open_audio_source
from rig.link.transport import Port, clock_of, open_port
from rig.record.bench_fault import BenchError
from rig.record.loaders import load_bench

Pieces = Iterator[npt.NDArray[np.float32]]


def level(
    bench: Annotated[str, typer.Option(help="Bench file: whose inputs are metered.")] = "simulated",
    seconds: Annotated[float, typer.Option(min=0.1, max=3600, help="How long to listen.")] = 10.0,
    file: Annotated[
        Path | None, typer.Option(help="Meter a recording instead of a live input.")
    ] = None,
) -> None:
    """Meter each channel: tap the pad as hard as it will be struck, and read what is said.

    Exit code 4 if a channel clipped or nothing came.
    """
    if file is not None:
        names, meter, pieces = _recording(file)
    else:
        names, meter, pieces = _inputs(bench, seconds)
    with Live(console=told, refresh_per_second=5, transient=True) as live:
        for piece in pieces:
            meter.take(piece)
            live.update("\n".join(_lines(names, meter)))
    for line in _lines(names, meter):
        results.print(line)
    levels = meter.levels()
    if any(found.clipped or not found.peak_dbfs > -200 for found in levels):
        raise typer.Exit(ExitCode.INVALID)


def _lines(names: list[str], meter: LevelMeter) -> list[str]:
    return [
        f"{name}: {found.sentence()}" for name, found in zip(names, meter.levels(), strict=True)
    ]


def _recording(path: Path) -> tuple[list[str], LevelMeter, Pieces]:
    try:
        file = soundfile.SoundFile(path)
    except (soundfile.LibsndfileError, OSError) as error:
        raise BenchError(f"metering {path}: it can't be read as a recording: {error}") from error

    def pieces() -> Pieces:
        with file:
            yield from file.blocks(file.samplerate, dtype="float32", always_2d=True)

    names = [f"channel {number + 1}" for number in range(file.channels)]
    return names, LevelMeter(file.samplerate, file.channels), pieces()


def _inputs(name: str, seconds: float) -> tuple[list[str], LevelMeter, Pieces]:
    bench = load_bench(name)
    channels = sorted(bench.audio.channels, key=lambda channel: channel.number)
    names = [f"channel {channel.number} ({channel.role})" for channel in channels]

    def pieces() -> Pieces:
        port: Port | None = None
        now_s: Callable[[], float] = time.monotonic
        sleep_s: Callable[[float], None] = time.sleep
        if bench.audio.device == FROM_BOARD:
            port = open_port(find_port(bench.board))
            source, clock = open_audio_source(bench, port), clock_of(port)
            now_s, sleep_s = clock.monotonic_s, clock.sleep_s
        else:
            source = InterfaceAudio(bench.audio)
        source.start()
        try:
            until_s = now_s() + seconds
            while now_s() < until_s:
                sleep_s(0.05)
                for block in source.read():
                    yield block.samples
        finally:
            source.stop()
            if port is not None:
                port.close()

    return names, LevelMeter(bench.audio.sample_rate_hz, len(channels)), pieces()
