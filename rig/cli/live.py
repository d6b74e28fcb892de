"""The live line while a bench strikes: stage, strokes, lost and double so far, state."""

from __future__ import annotations

from types import TracebackType
from typing import Self

from rich.live import Live
from rich.progress_bar import ProgressBar
from rich.table import Table

from rig.cli.console import told
from rig.progress import Progress


class LiveLine:
    """Draws the progress of a run; a context manager. Quiet where nobody watches."""

    def __init__(self, *, quiet: bool) -> None:
        self._live = None if quiet else Live(console=told, refresh_per_second=8, transient=True)

    def __enter__(self) -> Self:
        if self._live is not None:
            self._live.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        if self._live is not None:
            self._live.stop()

    def show(self, progress: Progress) -> None:
        """Draw how things stand."""
        if self._live is not None:
            self._live.update(_table(progress))

    def pause(self, text: str) -> None:
        """Show a prompt and wait for Enter; where the terminal ends instead, that is a stop."""
        if self._live is not None:
            self._live.stop()
        told.print(text)
        try:
            told.input("Press Enter when done: ")
        except EOFError as error:
            raise KeyboardInterrupt from error
        if self._live is not None:
            self._live.start()


def _table(progress: Progress) -> Table:
    table = Table.grid(padding=(0, 2))
    share = progress.elapsed_s / progress.duration_s if progress.duration_s > 0 else 0.0
    table.add_row(
        f"{progress.state:>8}",
        progress.stage or progress.doing,
        ProgressBar(total=1.0, completed=min(1.0, share), width=24),
        f"{progress.strikes_done}/{progress.strikes_total} struck",
        f"{progress.impacts} felt",
        f"{progress.notes} notes",
        f"lost {progress.lost}",
        f"double {progress.doubles}",
        *([f"{progress.headless} MIDI bytes without a status"] if progress.headless else []),
        *([f"{progress.audio_frames_lost} frames lost"] if progress.audio_frames_lost else []),
    )
    return table
