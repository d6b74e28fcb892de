"""Numbers that files may hold, with the range that each is allowed."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta

Positive = Annotated[float, Meta(gt=0)]
Milliseconds = Annotated[float, Meta(gt=0, le=600_000)]
Newtons = Annotated[float, Meta(gt=0, le=10_000)]
PulseWidth = Annotated[float, Meta(ge=0.5, le=32_767)]
"""In µs: from one tick of the board's timer to what its compare register holds."""
NotNegative = Annotated[float, Meta(ge=0)]
Share = Annotated[float, Meta(ge=0, le=1)]
Percent = Annotated[float, Meta(gt=0, le=100)]
Count = Annotated[int, Meta(ge=1, le=1_000_000)]
MOST_LETTERS = 100
Text = Annotated[str, Meta(min_length=1, max_length=MOST_LETTERS)]
"""A name, on one line."""
