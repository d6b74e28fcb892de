"""The protocol file: what is struck and what must hold. No fact of a station stands in it."""

from __future__ import annotations

from typing import Literal

import msgspec

Order = Literal["up", "down", "up_down", "shuffled"]
DecisionRule = Literal["guarded", "simple", "shared_risk"]


class StageBase(
    msgspec.Struct, kw_only=True, frozen=True, forbid_unknown_fields=True, tag_field="pattern"
):
    """What every stage has: a name, what the technician is asked to do first, and its strikers."""

    name: str
    prompt: str = ""
    strikers: tuple[str, ...] = ("A",)
    rest_ms: float = 600.0
    """Silence before the stage and between its groups (rolls, trains, pairs)."""


class SingleStage(StageBase, tag="single", kw_only=True, frozen=True):
    """Single strokes over a ladder of forces (or of pulse widths, on a bench not calibrated)."""

    forces_n: tuple[float, ...] = ()
    widths_us: tuple[float, ...] = ()
    order: Order = "up"
    repeats: int = 1
    interval_ms: float = 250.0
    interval_spread_ms: float = 10.0
    """Each interval is drawn from interval ± spread, so that no stroke locks to a polling clock."""


class RollStage(StageBase, tag="roll", kw_only=True, frozen=True):
    """Rolls at steady rates, the strikers taking turns."""

    rates_per_s: tuple[float, ...]
    strokes: int = 16
    repeats: int = 1
    force_n: float | None = None
    width_us: float | None = None


class BuzzStage(StageBase, tag="buzz", kw_only=True, frozen=True):
    """Falling trains: gap and force change geometrically from the first stroke to the last."""

    strokes: int
    first_gap_ms: float
    last_gap_ms: float
    repeats: int = 1
    first_force_n: float | None = None
    last_force_n: float | None = None
    first_width_us: float | None = None
    last_width_us: float | None = None


class FlamStage(StageBase, tag="flam", kw_only=True, frozen=True):
    """Pairs: the first striker, then the second after a gap, softer or harder by a level.

    ``level_differences_db`` is the second stroke's force over the first's (negative: softer).
    """

    gaps_ms: tuple[float, ...]
    level_differences_db: tuple[float, ...] = (0.0,)
    repeats: int = 1
    order: Order = "shuffled"
    force_n: float | None = None
    width_us: float | None = None
    second_width_us: float | None = None


class IdleStage(StageBase, tag="idle", kw_only=True, frozen=True):
    """Nothing is struck: what sounds now is a stray."""

    duration_s: float


Stage = SingleStage | RollStage | BuzzStage | FlamStage | IdleStage


class Limit(msgspec.Struct, kw_only=True, frozen=True):
    """One demand on one measure. In the file its key carries the unit: ``at_most_ms = 9``."""

    measure: str
    bound: Literal["at_most", "at_least"]
    value: float
    unit: str
    stage: str = ""
    """Name of the stage it is asked of; empty for the whole run."""
    least_strokes: int = 1


class Protocol(msgspec.Struct, kw_only=True, frozen=True):
    """A whole protocol file."""

    format: int
    name: str
    purpose: str
    stages: tuple[Stage, ...]
    limits: tuple[Limit, ...] = ()
    confidence: float = 0.95
    decision_rule: DecisionRule = "guarded"
    seed: int = 1
    """Seed of shuffled orders and interval spreads."""
