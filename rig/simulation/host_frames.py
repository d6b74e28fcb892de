"""The host's frames as the simulated board counts them."""

from __future__ import annotations

from rig.link.messages import BOARD_RULES, Trip
from rig.record.limits import TICKS_PER_S


class HostFrames:
    """Frames of the running second, and when the last good one came.

    Attributes
    ----------
    heard_ticks
        Of the last good frame.
    """

    def __init__(self) -> None:
        self.heard_ticks = 0
        self._second = 0
        self._good = self._bad = 0

    def count(self, good: bool, now_ticks: int) -> Trip | None:
        """Count a frame, good or damaged; the trip that an armed board makes of a flood."""
        if now_ticks // TICKS_PER_S != self._second:
            self._second = now_ticks // TICKS_PER_S
            self._good = self._bad = 0
        if good:
            self._good += 1
            self.heard_ticks = now_ticks
        else:
            self._bad += 1
        if self._bad > BOARD_RULES["crc_flood_per_s"]:
            return Trip.CRC_FLOOD
        if self._good > BOARD_RULES["frame_flood_per_s"]:
            return Trip.FRAME_FLOOD
        return None
