"""What is said of a dead time that rests on little, on made strokes."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.dead_time_basis import dead_time_basis
from analysis.detector import Envelopes

RATE_HZ = 20_000.0


def sounds(counts: tuple[int, ...], *, late: bool) -> Envelopes:
    """Strokes of 2, 10 and 40 N that fall to 1/e in 2 ms; ``late``: with a peak at 9 ms."""
    force_n = np.repeat([2.0, 10.0, 40.0], counts)
    t = np.arange(-20, 2000)[None, :] / RATE_HZ
    wave = np.where(t >= 0, np.exp(-np.maximum(t, 0) / 0.002), 0.0) + 1e-6
    wave = wave + (0.7 * np.exp(-(((t - 0.009) / 0.0004) ** 2)) if late else 0.0)
    level = (force_n[:, None] / 50 * wave).astype(np.float32)
    level[:, 1820:] = 0.0  # the next stroke
    return Envelopes(level=level, rate_hz=RATE_HZ, onset=20, force_n=force_n)


def test_enough_strokes_with_late_peaks_need_no_word() -> None:
    """Ten soft, ten hard, and a dead time that outlasts the late peak."""
    assert dead_time_basis(sounds((10, 2, 10), late=True), 11.0, force_known=True) == ""


@pytest.mark.parametrize(
    ("counts", "late", "dead_ms", "words"),
    [
        ((10, 4, 12), False, 1.3, ["26 strokes of 2 to 40 N", "up to 90 ms", "none of them",
                                   "10 and 12 strokes", "around 10 ms"]),
        # none of 6: at most 39 % (Clopper and Pearson, one-sided 95 %, tables)
        ((6, 6, 12), True, 11.0, ["24 of them passed", "6 and 12 strokes", "up to 39 %"]),
        # none of 10: at most 26 %
        ((10, 4, 12), True, 1.3, ["26 of them passed", "up to 26 %", "around 10 ms"]),
    ],
)  # fmt: skip
def test_little_is_said(
    counts: tuple[int, ...], late: bool, dead_ms: float, words: list[str]
) -> None:
    """Strokes, forces, time watched and late peaks; and that nothing else was tried."""
    text = dead_time_basis(sounds(counts, late=late), dead_ms, force_known=True)
    for word in [*words, f"dead time of {dead_ms:g} ms", "Other sticks"]:
        assert word in text
    assert ("common practice" in text) == (dead_ms < 3)


def test_widths_are_no_forces() -> None:
    """A bench that is not calibrated gives pulse widths; strokes of no known level have no ends."""
    made = sounds((4, 4, 4), late=False)
    assert "of 2 to 40 µs" in dead_time_basis(made, 1.3, force_known=False)
    unknown = Envelopes(
        level=made.level, rate_hz=RATE_HZ, onset=20, force_n=np.full(len(made), np.nan)
    )
    text = dead_time_basis(unknown, 1.3, force_known=False)
    assert "12 strokes, watched" in text
    assert "softest" not in text
