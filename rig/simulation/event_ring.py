"""The board's ring of events: numbered, finite, forgotten only when the host has them."""

from __future__ import annotations

import collections

from rig.link.messages import HARD_LIMITS, EventKind

Record = tuple[int, int, int]
"""Ticks, kind and value of an event."""


class EventRing:
    """Events in order of time.

    Attributes
    ----------
    first
        Number of the oldest event kept.
    dropped
        Events that found the ring full; they have no number.
    """

    def __init__(self) -> None:
        self._ring: collections.deque[Record] = collections.deque()
        self._pending: list[Record] = []
        self.first = 0
        self.dropped = 0

    @property
    def next(self) -> int:
        """Number that the next event will have."""
        return self.first + len(self._ring)

    def add(self, kind: EventKind, value: int, at: int) -> None:
        """Note an event; ``gather`` puts it into the ring."""
        self._pending.append((at, kind, value))

    def gather(self) -> bool:
        """Put what was noted into the ring, in order of time; True if something was dropped."""
        dropped_before = self.dropped
        for record in sorted(self._pending, key=lambda record: record[0]):
            if len(self._ring) >= HARD_LIMITS["event_ring_length"]:
                self.dropped += 1
            else:
                self._ring.append(record)
        self._pending.clear()
        return self.dropped > dropped_before

    def forget_below(self, number: int) -> None:
        """Drop events that the host has; a number beyond the newest drops nothing."""
        if number <= self.next:
            while self.first < number:
                self._ring.popleft()
                self.first += 1

    def oldest(self, count: int) -> list[Record]:
        """Give the oldest events, ``count`` at most."""
        return [self._ring[place] for place in range(min(count, len(self._ring)))]
