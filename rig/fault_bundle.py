"""All that helps to find out why a board, or a run on it, stopped."""

from __future__ import annotations

import platform
from typing import Any

import msgspec

import rig
from rig.board import Board
from rig.faults import FaultError


def fault_bundle(board: Board, error: BaseException | None = None) -> dict[str, Any]:
    """Versions, limits, clocks, last frames decoded, cause and remedy, as plain values."""
    fault = error.fault if isinstance(error, FaultError) else None
    return {
        "error": str(error) if error is not None else "",
        "code": fault.code if fault else "",
        "cause": fault.cause if fault else "",
        "remedy": fault.remedy if fault else "",
        "program": rig.__version__,
        "python": platform.python_version(),
        "platform": platform.platform(),
        "port": board.port_name,
        "board": board.identity.as_dict(),
        "limits": None if board.limits is None else msgspec.to_builtins(board.limits),
        "state": board.state.name.lower(),
        "trip": board.trip.name.lower(),
        "dropped_events": board.dropped_events,
        "damaged_frames": board.damaged_frames,
        "resent_requests": board.resent_requests,
        "clock": board.host_clock.as_dict(),
        "last_frames": board.trace.last_lines(),
    }
