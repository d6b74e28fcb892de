"""The board's clock seen from the host: two-way exchanges, the one with the lowest delay counts.

It schedules strikes and cross-checks; it never measures. An exchange can't tell which of its two
ways was the slow one, so its bound is never below half its round trip.
"""

from __future__ import annotations

import collections
import dataclasses

from rig.record.limits import TICKS_PER_S

CRYSTAL_PPM = 200.0
"""Common practice, no source: two crystals of ±100 ppm drift apart by at most this."""

_KEPT = 64


def offset_and_delay(t1: float, t2: float, t3: float, t4: float) -> tuple[float, float]:
    """Offset of the far clock and round-trip delay, all in one unit.

    ``t1`` sent and ``t4`` received on the near clock, ``t2`` received and ``t3`` sent on the far
    one. RFC 5905, section 8: offset = ((t2 - t1) + (t3 - t4)) / 2, delay = (t4 - t1) - (t3 - t2).
    NaN in, NaN out.
    """
    return ((t2 - t1) + (t3 - t4)) / 2, (t4 - t1) - (t3 - t2)


@dataclasses.dataclass(frozen=True)
class ClockPair:
    """One instant on both clocks: ``host_s`` and ``ticks``, the same within ``bound_s``."""

    host_s: float
    ticks: int
    bound_s: float


class HostClock:
    """Turns host time into ticks, from the exchanges so far.

    Raises
    ------
    ValueError
        From ``ticks_at`` and ``best_pair`` before the first exchange.
    """

    def __init__(self) -> None:
        self._pairs: collections.deque[ClockPair] = collections.deque(maxlen=_KEPT)

    def add(
        self, sent_s: float, received_ticks: int, replied_ticks: int, received_s: float
    ) -> ClockPair:
        """Take one exchange and give the pair made of it.

        Its middle is taken, so that the bound is half the round trip, one tick at the least.
        """
        board_s = (replied_ticks - received_ticks) / TICKS_PER_S
        delay_s = max((received_s - sent_s) - board_s, 0.0)
        pair = ClockPair(
            host_s=(sent_s + received_s) / 2,
            ticks=(received_ticks + replied_ticks) // 2,
            bound_s=max(delay_s / 2, 1 / TICKS_PER_S),
        )
        self._pairs.append(pair)
        return pair

    def bound_at(self, pair: ClockPair, host_s: float) -> float:
        """Seconds within which ``pair`` tells the board's time at ``host_s``."""
        return pair.bound_s + abs(host_s - pair.host_s) * CRYSTAL_PPM * 1e-6

    def best_pair(self, host_s: float) -> ClockPair:
        """Pair that tells the board's time at ``host_s`` most closely."""
        return min(self._pairs, key=lambda pair: self.bound_at(pair, host_s))

    def ticks_at(self, host_s: float) -> int:
        """Ticks of the board at ``host_s``, at the crystal's nominal rate from the best pair."""
        pair = self.best_pair(host_s)
        return pair.ticks + round((host_s - pair.host_s) * TICKS_PER_S)

    def disagreement_s(self) -> float:
        """By how much two exchanges contradict each other beyond their bounds; 0.0 if none do.

        More than zero means that one clock jumped (the board was reset, the computer slept).
        """
        if not self._pairs:
            return 0.0
        last = self._pairs[-1]
        worst = 0.0
        for pair in self._pairs:
            expected = pair.ticks + (last.host_s - pair.host_s) * TICKS_PER_S
            off_s = abs(last.ticks - expected) / TICKS_PER_S
            worst = max(worst, off_s - last.bound_s - self.bound_at(pair, last.host_s))
        return worst

    def as_dict(self) -> dict[str, float | int]:
        """State for the fault bundle."""
        if not self._pairs:
            return {"exchanges": 0}
        best = min(self._pairs, key=lambda pair: pair.bound_s)
        return {
            "exchanges": len(self._pairs),
            "best_bound_us": round(best.bound_s * 1e6, 1),
            "last_ticks": self._pairs[-1].ticks,
            "disagreement_us": round(self.disagreement_s() * 1e6, 1),
        }
