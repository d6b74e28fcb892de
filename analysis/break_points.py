"""How far a setting goes before something breaks."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import msgspec

from analysis import choices
from analysis.detector import Envelopes, pooled_spread_db, replay
from rig.record.specimen import Settings

GAIN_STEPS_DB = (3.0, 6.0, 9.0, 12.0, 18.0, 24.0)
FACTORS = (2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 16.0, 24.0, 32.0)
"""By which thresholds and releases are tried, less or more."""
WINDOW_STEP_MS, LEAST_WINDOW_MS = 0.5, 0.2
DEAD_STEP_MS = 2.0


def first_break(tried: Iterable[float], harm: Callable[[float], float]) -> tuple[float, float]:
    """Return the first value that does harm, and how much; else the last one tried, and 0."""
    value = float("nan")
    for value in tried:
        found = harm(value)
        if found > 0.0:
            return value, found
    return value, 0.0


def of(count: float, all_of_them: int) -> str:
    """Tell a number of strokes of all: "3 of 96 strokes"."""
    return f"{count:.0f} of {all_of_them} strokes"


def shorter_windows(window_ms: float) -> list[float]:
    """Return peak windows that are shorter, the longest first."""
    steps = int(max(0.0, window_ms - LEAST_WINDOW_MS) / WINDOW_STEP_MS)
    tried = [window_ms - WINDOW_STEP_MS * (k + 1) for k in range(steps)]
    return [*[one for one in tried if one > LEAST_WINDOW_MS], LEAST_WINDOW_MS]


def shorter_dead_times(dead_ms: float, window_ms: float) -> list[float]:
    """Return dead times that are shorter, down to the peak window; none where it is no longer."""
    if not dead_ms > window_ms:
        return []
    steps = int((dead_ms - window_ms) / DEAD_STEP_MS)
    tried = [dead_ms - DEAD_STEP_MS * (k + 1) for k in range(steps)]
    return [*[one for one in tried if one > window_ms], window_ms]


class WindowTrial:
    """What peak windows do to the levels of strokes."""

    def __init__(self, strokes: Envelopes, settings: Settings) -> None:
        self._strokes, self._settings = strokes, settings
        self._first = choices.first_peaks(strokes.scaled(settings.gain_db or 0.0))
        self._reached = 10.0 ** (-choices.PEAK_REACHED_DB / 20.0)

    def spread_db(self, window_ms: float) -> float:
        """Spread of the level of strokes of one force; NaN where no force was struck twice."""
        return pooled_spread_db(self._levels(window_ms), self._strokes.force_n)

    def too_early(self, window_ms: float) -> int:
        """Strokes whose window ends before their first peak."""
        return int((self._levels(window_ms) < self._reached * self._first).sum())

    def worse(self, window_ms: float, than_db: float) -> bool:
        """Tell whether a window is too short: levels spread more, or first peaks are missed."""
        allowed = (1.0 - choices.SHARE_OF_STROKES) * len(self._strokes)
        spread = self.spread_db(window_ms)
        return spread > choices.SPREAD_MORE * than_db + 0.02 or self.too_early(window_ms) > allowed

    def _levels(self, window_ms: float) -> choices.Array:
        so = msgspec.structs.replace(self._settings, peak_window_ms=window_ms)
        return replay(self._strokes, so).level
