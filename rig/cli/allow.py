"""``--allow``: which differences between runs are accepted."""

from __future__ import annotations

from typing import Annotated

import typer

Allow = Annotated[
    list[str] | None,
    typer.Option(
        metavar="WHAT",
        help="Accept a difference: bench, calibration, protocol, sample_rate_hz, note_source, "
        "zones.",
    ),
]
