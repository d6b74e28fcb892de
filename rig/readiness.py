"""From an open board to one that may be armed: earlier trips, limits, clock, interlocks."""

from __future__ import annotations

from collections.abc import Callable

from rig.board import Board
from rig.faults import RefusedError
from rig.link.messages import State
from rig.record.limits import AgreedLimits

CLOCK_EXCHANGES = 8
"""At once: the one with the lowest delay counts."""

_SETTLE_S = 2.2
"""Longer than the longest host silence, after which a board in ready is safe again."""
_CONTACTS_S = 0.2
"""A contact counts as closed 50 ms after it closed; a board that has just started counts anew."""

Prompt = Callable[[str], object]


def get_ready(board: Board, limits: AgreedLimits, prompt: Prompt | None) -> AgreedLimits:
    """Bring the board to state ready, with limits agreed. Nothing can be struck before.

    Parameters
    ----------
    board
        Just opened.
    limits
        To ask for.
    prompt
        Asks the person before an earlier trip is reset; None leaves it.

    Raises
    ------
    TrippedError
        It tripped earlier, and there is nobody to look.
    RefusedError
        Interlocks are open; all of them are named.
    """
    board.poll()
    if board.state is State.TRIPPED:
        error = board.trip_error("The board stopped by itself earlier")
        if prompt is None:
            raise error
        prompt(f"{error}\nDo this now. The trip is reset when you confirm.")
        board.reset_trip()
    if board.state in (State.ARMED, State.STRIKING):
        board.disarm()
    if board.state is State.READY:
        # limits are agreed in safe only; a board in ready that hears nothing goes there
        board.clock.sleep_s(_SETTLE_S)
        board.status()
    agreed = board.agree(limits)
    for _ in range(CLOCK_EXCHANGES):
        board.exchange_clock()
    to_ready(board)
    return agreed


def to_ready(board: Board) -> None:
    """Ask for ready; once more if contacts that were closed just now have to settle first."""
    try:
        board.ready()
    except RefusedError as error:
        if error.code != "refusal.interlock_open":
            raise
        board.clock.sleep_s(_CONTACTS_S)
        board.ready()
