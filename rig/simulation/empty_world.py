"""A board with nothing on its pins but what a test puts there (``sim://board``)."""

from __future__ import annotations

import heapq


class EmptyWorld:
    """Remembers what the board did, and gives what it is told to give.

    Attributes
    ----------
    pulses
        ``[coil, on_s, off_s]`` of every coil pulse, as it really ended.
    markers
        ``(on_s, width_s)`` of every marker.
    """

    def __init__(self) -> None:
        self.pulses: list[tuple[int, float, float]] = []
        self.markers: list[tuple[float, float]] = []
        self._now_s = 0.0
        self._impacts: list[tuple[float, int]] = []
        self._din: list[tuple[float, int]] = []

    def impact(self, at_s: float, pickup: int) -> None:
        """Let the pickup answer at a time to come."""
        heapq.heappush(self._impacts, (at_s, pickup))

    def din(self, at_s: float, byte: int) -> None:
        """Let a byte's start bit fall at a time to come."""
        heapq.heappush(self._din, (at_s, byte))

    def coil_on(self, coil: int, on_s: float, off_s: float) -> None:
        """A pulse begins."""
        self.pulses.append((coil, on_s, off_s))

    def coil_cut(self, coil: int, at_s: float) -> None:
        """The running pulse of a coil ends now."""
        for place in range(len(self.pulses) - 1, -1, -1):
            number, on_s, off_s = self.pulses[place]
            if number == coil:
                self.pulses[place] = (coil, on_s, min(off_s, at_s))
                return

    def marker(self, on_s: float, width_s: float) -> None:
        """A marker goes out."""
        self.markers.append((on_s, width_s))

    def advance(self, to_s: float) -> None:
        """Time passes."""
        self._now_s = max(self._now_s, to_s)

    def take_impacts(self) -> list[tuple[float, int]]:
        """Impacts up to now."""
        return _due(self._impacts, self._now_s)

    def take_din(self) -> list[tuple[float, int]]:
        """Bytes that have ended by now (320 µs after their start bit)."""
        return _due(self._din, self._now_s - 320e-6)


def _due(heap: list[tuple[float, int]], until_s: float) -> list[tuple[float, int]]:
    due = []
    while heap and heap[0][0] <= until_s:
        due.append(heapq.heappop(heap))
    return due
