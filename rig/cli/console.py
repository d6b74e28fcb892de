"""Where commands print: results to standard output, all else to standard error."""

from __future__ import annotations

from rich.console import Console

told = Console(stderr=True, highlight=False, soft_wrap=True, markup=False, emoji=False)
"""For what is said while working: progress, cautions, errors."""

results = Console(highlight=False, soft_wrap=True, markup=False, emoji=False)
"""For what was asked for."""
