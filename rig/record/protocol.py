"""The protocol file: what is struck and what must hold. No fact of a station stands in it."""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from rig.record.endurance import Record, Stop
from rig.record.quantity import (
    Count,
    Milliseconds,
    Newtons,
    NotNegative,
    Positive,
    PulseWidth,
    Text,
)

Order = Literal["up", "down", "up_down", "shuffled"]
DecisionRule = Literal["guarded", "simple", "shared_risk"]

Decibels = Annotated[float, Meta(ge=-60, le=60)]
Rates = Annotated[tuple[Annotated[float, Meta(ge=0.01, le=10_000)], ...], Meta(min_length=1)]
Gaps = Annotated[tuple[Milliseconds, ...], Meta(min_length=1)]
StrokeCount = Annotated[int, Meta(ge=2, le=100_000)]


class StageBase(
    msgspec.Struct, kw_only=True, frozen=True, forbid_unknown_fields=True, tag_field="pattern"
):
    """What every stage has: a name, what the technician is asked to do first, and its strikers."""

    name: Text
    prompt: str = ""
    strikers: Annotated[tuple[Text, ...], Meta(min_length=1)] = ("A",)
    rest_ms: Milliseconds = 600.0
    """Silence before the stage and between its groups (rolls, trains, pairs)."""

    @property
    def precision(self) -> float | None:
        """Width of the interval at which a search ends; None: everything is struck in order."""
        return None


Chance = Annotated[float, Meta(ge=50, lt=100)]


class SingleStage(StageBase, tag="single", kw_only=True, frozen=True):
    """Single strokes over a ladder of forces (or of pulse widths, on a bench not calibrated)."""

    forces_n: tuple[Newtons, ...] = ()
    widths_us: tuple[PulseWidth, ...] = ()
    order: Order = "up"
    repeats: Count = 1
    interval_ms: Milliseconds = 250.0
    interval_spread_ms: NotNegative = 10.0
    """Each interval is drawn from interval ± spread, so that no stroke locks to a polling clock."""
    precision_n: Positive | None = None
    precision_us: Positive | None = None
    chance_percent: Chance = 95.0

    @property
    def precision(self) -> float | None:
        """Searches for the softest stroke that sounds with the chance asked for."""
        return self.precision_n if self.forces_n else self.precision_us


class RollStage(StageBase, tag="roll", kw_only=True, frozen=True):
    """Rolls at steady rates, the strikers taking turns."""

    rates_per_s: Rates
    strokes: StrokeCount = 16
    repeats: Count = 1
    force_n: Newtons | None = None
    width_us: PulseWidth | None = None
    precision_per_s: Positive | None = None
    chance_percent: Chance = 95.0

    @property
    def precision(self) -> float | None:
        """Searches for the fastest rate that is clean with the chance asked for."""
        return self.precision_per_s


class BuzzStage(StageBase, tag="buzz", kw_only=True, frozen=True):
    """Falling trains: gap and force change geometrically from the first stroke to the last."""

    strokes: StrokeCount
    first_gap_ms: Milliseconds
    last_gap_ms: Milliseconds
    repeats: Count = 1
    first_force_n: Newtons | None = None
    last_force_n: Newtons | None = None
    first_width_us: PulseWidth | None = None
    last_width_us: PulseWidth | None = None


class FlamStage(StageBase, tag="flam", kw_only=True, frozen=True):
    """Pairs: the first striker, then the second after a gap, softer or harder by a level.

    ``level_differences_db`` is the second stroke's force over the first's (negative: softer).
    """

    gaps_ms: Gaps
    level_differences_db: Annotated[tuple[Decibels, ...], Meta(min_length=1)] = (0.0,)
    repeats: Count = 1
    order: Order = "shuffled"
    force_n: Newtons | None = None
    width_us: PulseWidth | None = None
    second_width_us: PulseWidth | None = None
    precision_ms: Positive | None = None
    chance_percent: Chance = 95.0

    @property
    def precision(self) -> float | None:
        """Searches for the least gap that is caught with the chance asked for."""
        return self.precision_ms


class IdleStage(StageBase, tag="idle", kw_only=True, frozen=True):
    """Nothing is struck: what sounds now is a stray."""

    duration_s: Annotated[float, Meta(ge=1, le=1_000_000)]


class GivenStage(StageBase, tag="given", kw_only=True, frozen=True):
    """Strokes of a recording from outside: its plan is given, and no bench can strike it."""


Stage = SingleStage | RollStage | BuzzStage | FlamStage | IdleStage | GivenStage


class Limit(msgspec.Struct, kw_only=True, frozen=True):
    """One demand on one measure. In the file its key carries the unit: ``at_most_ms = 9``."""

    measure: Text
    bound: Literal["at_most", "at_least"]
    value: float
    unit: str
    stage: str = ""
    """Name of the stage it is asked of; empty for the whole run."""
    least_strokes: Count = 1
    good: float | None = None
    """A share that is surely good: the strokes of the stage end as soon as they tell it from the
    bound by Wald's sequential test."""


class Margin(msgspec.Struct, kw_only=True, frozen=True):
    """Smallest difference of one measure that matters between two builds: ``within_ms = 0.5``."""

    measure: Text
    value: float
    unit: str


class Protocol(msgspec.Struct, kw_only=True, frozen=True):
    """A whole protocol file."""

    format: Literal[1]
    name: Text
    purpose: str
    stages: Annotated[tuple[Stage, ...], Meta(min_length=1)] = msgspec.field(name="stage")
    limits: tuple[Limit, ...] = msgspec.field(name="limit", default=())
    margins: tuple[Margin, ...] = msgspec.field(name="margin", default=())
    confidence: Annotated[float, Meta(ge=0.5, lt=1)] = 0.95
    decision_rule: DecisionRule = "guarded"
    stop: Stop = Stop()
    record: Record = Record()
    seed: Annotated[int, Meta(ge=0, le=2**53)] = 1
    """Seed of shuffled orders and interval spreads."""
