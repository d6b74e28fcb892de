"""Limits as they are asked for and as the board echoes them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rig.faults import RefusedError
from rig.link.messages import FORMATS
from rig.record.limits import AgreedLimits, CoilLimits

_OF_BOARD = ("armed_ms", "host_silence_ms", "horizon_ms", "supply_least_mv", "supply_most_mv")
"""Limits of the whole board, in the order of the ``agree`` message."""

_OF_COIL = FORMATS["agree"].repeat_fields
"""Limits of one coil, in the order of the ``agree`` message."""

_NO_PULSE = CoilLimits(
    longest_pulse_ticks=0,
    least_gap_ticks=0xFFFFFFFF,
    heat_time_constant_ms=4_000_000,
    heat_budget_ticks=0,
)
"""Limits of a coil that no striker hangs on: no pulse at all."""


def asked_of_board(limits: AgreedLimits) -> tuple[int, ...]:
    """Limits of the whole board as fields of the ``agree`` message."""
    return tuple(getattr(limits, name) for name in _OF_BOARD)


def asked_of_coils(limits: AgreedLimits, coil_count: int) -> list[tuple[int, ...]]:
    """Limits of the coils as records of the ``agree`` message; spare coils are given no pulse.

    Raises
    ------
    RefusedError
        The board has fewer coils than limits are asked for.
    """
    spare = coil_count - len(limits.coils)
    if spare < 0:
        raise RefusedError(
            "refusal.no_such_coil",
            "Agreeing on limits",
            f"{len(limits.coils)} strikers in the bench file, {coil_count} coils",
        )
    coils = [*limits.coils, *[_NO_PULSE] * spare]
    return [tuple(getattr(coil, name) for name in _OF_COIL) for coil in coils]


def echoed_limits(fields: Mapping[str, Any], records: Sequence[tuple[Any, ...]]) -> AgreedLimits:
    """Limits of the board's answer, of all its coils."""
    return AgreedLimits(
        coils=tuple(CoilLimits(**dict(zip(_OF_COIL, record, strict=True))) for record in records),
        **{name: fields[name] for name in _OF_BOARD},
    )


def loosened(asked: AgreedLimits, echoed: AgreedLimits) -> list[str]:
    """A sentence for each figure that the board would enforce less strictly than asked."""
    pairs = [
        (name, getattr(asked, name), getattr(echoed, name), name.endswith("least_mv"))
        for name in _OF_BOARD
    ]
    for number, coil in enumerate(asked.coils):
        # a longer gap and a slower cooling are stricter; a longer pulse and more heat are looser
        pairs += [
            (
                f"coil {number} {name}",
                getattr(coil, name),
                getattr(echoed.coils[number], name),
                name in ("least_gap_ticks", "heat_time_constant_ms"),
            )
            for name in _OF_COIL
        ]
    return [
        f"{name}: {want} asked for, {got} echoed"
        for name, want, got, more_is_stricter in pairs
        if (got < want if more_is_stricter else got > want)
    ]
