"""A host's board over a real port: limits, and the loop that watches a burst."""

from __future__ import annotations

from rig.board import Board
from rig.link.messages import EventKind
from rig.record.limits import AgreedLimits, CoilLimits

MS = 2000

COIL = CoilLimits(
    longest_pulse_ticks=24_000,
    least_gap_ticks=60_000,
    heat_time_constant_ms=60_000,
    heat_budget_ticks=10_000_000,
)
LIMITS = AgreedLimits(
    coils=(COIL, COIL),
    armed_ms=60_000,
    host_silence_ms=2000,
    horizon_ms=60_000,
    supply_least_mv=20_000,
    supply_most_mv=28_000,
)


def watch(board: Board, until: int) -> list[tuple[EventKind, int, int]]:
    """Poll until the board's clock has passed a tick, and once more for what came until then."""
    events, passed = [], False
    while not passed:
        passed = board.status().ticks >= until
        board.clock.sleep_s(0.02)
        events += [(event.kind, event.value, event.ticks) for event in board.poll()]
    return events
