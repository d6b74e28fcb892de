"""How a run stands, for the person to watch, and the one who tells it."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

from rig.board import Board

PROGRESS_S = 0.25
"""From one telling to the next, unless something new begins."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Progress:
    """How a run stands.

    ``doing``: a sentence for the person; ``elapsed_s`` and ``duration_s`` count the bursts' time;
    ``headless``: MIDI bytes that can't be read, since no status byte came before them.
    """

    stage: str = ""
    doing: str = ""
    burst: int = -1
    bursts_done: int = 0
    bursts_total: int = 0
    strikes_done: int = 0
    strikes_total: int = 0
    impacts: int = 0
    notes: int = 0
    lost: int = 0
    doubles: int = 0
    headless: int = 0
    state: str = "safe"
    elapsed_s: float = 0.0
    duration_s: float = 0.0
    audio_frames_lost: int = 0


class Teller:
    """Keeps the progress and tells it a few times a second.

    Parameters
    ----------
    tell
        Told; None tells nobody.
    board
        Whose state and time count.
    progress
        To begin with.
    """

    def __init__(
        self, tell: Callable[[Progress], None] | None, board: Board, progress: Progress
    ) -> None:
        self._tell = tell
        self._board = board
        self._progress = progress
        self._told_s: float | None = None

    @property
    def progress(self) -> Progress:
        """How things stand now."""
        return dataclasses.replace(self._progress, state=self._board.state.name.lower())

    def keep(self, **changes: Any) -> None:
        """Change fields of the progress."""
        self._progress = dataclasses.replace(self._progress, **changes)

    def update(self, *, force: bool = False, **changes: Any) -> None:
        """Change fields of the progress, and tell it if it is time or ``force`` is set."""
        self.keep(**changes)
        now_s = self._board.clock.monotonic_s()
        due = self._told_s is None or now_s - self._told_s >= PROGRESS_S
        if self._tell is not None and (force or due):
            self._told_s = now_s
            self._tell(self.progress)
