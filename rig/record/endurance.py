"""What a protocol says of its own length: what ends it early, and how much of its sound is kept."""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from rig.record.quantity import Count, Percent, Positive

Keep = Literal["all", "windows"]
Coding = Literal["rf64", "flac"]

LEAST_BEFORE_MS, LEAST_AFTER_MS = 30.0, 80.0
"""Noise and hum are taken from what comes before a stroke, its peak from what comes after."""


class Stop(msgspec.Struct, kw_only=True, frozen=True):
    """What ends a run before its plan does; looked at after each burst. None: never.

    ``level_falls_db`` and ``lost_share_percent`` are of the latest strokes, at least
    ``over_strokes`` of them in whole bursts; the level is held against the first so many.
    """

    level_falls_db: Positive | None = None
    lost_share_percent: Percent | None = None
    coil_warmer_than_c: Positive | None = None
    after_strokes: Count | None = None
    after_h: Positive | None = None
    over_strokes: Count = 200


class Record(msgspec.Struct, kw_only=True, frozen=True):
    """How much of the sound is kept: all of it, or windows around what is loud; and how."""

    keep: Keep = "all"
    coding: Coding = "rf64"
    before_ms: Annotated[float, Meta(ge=LEAST_BEFORE_MS, le=2000)] = 60.0
    after_ms: Annotated[float, Meta(ge=LEAST_AFTER_MS, le=10_000)] = 200.0
