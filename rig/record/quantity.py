"""Numbers that files may hold, with the range that each is allowed."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta

Positive = Annotated[float, Meta(gt=0)]
NotNegative = Annotated[float, Meta(ge=0)]
Share = Annotated[float, Meta(ge=0, le=1)]
Percent = Annotated[float, Meta(gt=0, le=100)]
Count = Annotated[int, Meta(ge=1, le=1_000_000)]
Text = Annotated[str, Meta(min_length=1)]
