"""Keys of the simulated bench's URL that concern the board and its cable."""

from __future__ import annotations

import dataclasses
import difflib
import math
from collections.abc import Iterable, Mapping

from rig.record.bench_fault import BenchError
from rig.simulation.board_pins import Inputs

_SCRIPT_KEYS = {
    "estop_at_s": ("estop_closed", 0.0),
    "estop_release_at_s": ("estop_closed", 1.0),
    "guard_at_s": ("guard_closed", 0.0),
    "guard_close_at_s": ("guard_closed", 1.0),
    "supply_fails_at_s": ("supply_mv", 3_000.0),
    "supply_back_at_s": ("supply_mv", 24_000.0),
    "coil_stuck_at_s": ("coil_stuck", 1.0),
    "coil_dead_at_s": ("coil_dead", 1.0),
    "timer_stuck_at_s": ("timer_stuck", 1.0),
    "reset_at_s": ("reset", 0.0),
    "hang_at_s": ("hang", 0.0),
}

BOARD_KEYS = (
    "board_ppm",
    "board_start_s",
    "estop_pressed",
    "guard_open",
    "supply_mv",
    "heat_ticks",
    *_SCRIPT_KEYS,
    "unplug_at_s",
    "serial_error_rate",
    "serial_delay_us",
    "serial_jitter_us",
)
"""All of them. ``…_at_s``: virtual time since the port was opened; several, parted by commas."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class BoardOptions:
    """What the URL says of the board.

    ``heat_ticks``: heat that the coils have kept from strikes before.
    ``serial_error_rate``: chance of each byte, either way, to be flipped in one bit, lost or
    doubled. ``serial_delay_us`` and ``serial_jitter_us``: each way's least delay, and the spread of
    what comes on top of it.
    """

    board_ppm: float = -25.0
    board_start_s: float = -1.0
    heat_ticks: float = 0.0
    inputs: Inputs = dataclasses.field(default_factory=Inputs)
    script: tuple[tuple[float, str, float], ...] = ()
    unplug_at_s: float = math.inf
    serial_error_rate: float = 0.0
    serial_delay_us: float = 300.0
    serial_jitter_us: float = 700.0


def read_options(query: Mapping[str, str]) -> BoardOptions:
    """Read the board's keys of a query; others are passed over.

    Raises
    ------
    BenchError
        A value is no finite number, or not at least 0 where it must be.
    """
    numbers = {
        key: number(query, key) for key in BOARD_KEYS if key in query and key not in _SCRIPT_KEYS
    }
    inputs = Inputs(
        estop_closed=not numbers.pop("estop_pressed", 0.0),
        guard_closed=not numbers.pop("guard_open", 0.0),
        supply_mv=int(numbers.pop("supply_mv", 24_000.0)),
    )
    script = [
        (number({key: at}, key), name, value)
        for key, (name, value) in _SCRIPT_KEYS.items()
        for at in query.get(key, "").split(",")
        if at
    ]
    rate = numbers.get("serial_error_rate", 0.0)
    if not 0.0 <= rate < 1.0:
        raise BenchError(f"simulated bench: serial_error_rate={rate:g}; 0 to below 1 is allowed")
    return BoardOptions(inputs=inputs, script=tuple(sorted(script)), **numbers)


def number(query: Mapping[str, str], key: str) -> float:
    """Value of a key as a finite number; BenchError if it is none."""
    try:
        value = float(query[key])
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise BenchError(f"simulated bench: {key}={query[key]!r}; a finite number is needed")
    return value


def check_keys(query: Iterable[str], known: Iterable[str]) -> None:
    """Raise BenchError for all keys that are not known, each with the nearest known one."""
    known = list(known)
    faults = []
    for key in query:
        if key not in known:
            near = difflib.get_close_matches(key, known, 1, cutoff=0.0)
            faults.append(
                f"simulated bench: no such key: {key}. The nearest known one is {near[0]}"
            )
    if faults:
        raise BenchError("\n".join(faults))
