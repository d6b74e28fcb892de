"""What a counting channel plays, known to player and listener."""

import numpy as np

WRAP = 1 << 23
"""Counts below this are exact in single precision when divided by it."""
CHANNEL_STEP = 1000


def count_at(frames, channel):
    """What a channel plays at frames of its own clock."""
    return ((frames + CHANNEL_STEP * channel) % WRAP).astype(np.float32) / np.float32(WRAP)
