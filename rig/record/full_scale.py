"""Samples of full scale 1: where they clip."""

from __future__ import annotations

CLIP_LEVEL = 0.999
"""Magnitude from which on a sample counts as clipped: converters stop a little below ±1."""
