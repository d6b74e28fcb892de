"""The recovery map: which second strokes are caught, over gap and level difference."""

from __future__ import annotations

import numpy as np

from analysis.recovery import RecoveryMap
from analysis.report.style import CLEAN, INK, LOST, picture, to_png

_SHARES = ((0.5, "--", LOST), (0.95, "-", CLEAN))


def recovery_picture(recovery: RecoveryMap) -> bytes:
    """Draw the cells that were struck, and the contours at 50 and 95 % with their intervals.

    A cell is drawn as a dot, the fuller the more second strokes were caught. Above a contour its
    share is caught. Where the gaps struck end, so does what is known.
    """
    gaps, differences = recovery.gaps_ms, recovery.level_differences_db
    with picture(11, 6.5) as figure:
        axes = figure.subplots()
        for share, style, colour in _SHARES:
            contour = recovery.contour(share)
            words = f"{100 * share:g} % are caught above, with its 95 % interval"
            if differences.size == 1:
                middle = float(differences[0]) + (0.06 if share > 0.5 else -0.06)
                axes.errorbar(
                    [middle], contour.gap_ms,
                    yerr=[contour.gap_ms - contour.low_ms, contour.high_ms - contour.gap_ms],
                    color=colour, marker="_", markersize=40, markeredgewidth=4, capsize=12,
                    elinewidth=4, linestyle="none", label=words,
                )  # fmt: skip
                continue
            axes.fill_between(
                differences, contour.low_ms, contour.high_ms, color=colour, alpha=0.25, linewidth=0
            )
            axes.plot(differences, contour.gap_ms, style, color=colour, linewidth=3.5, label=words)
        for i, j in np.argwhere(recovery.trials > 0):
            full = recovery.caught[i, j] / recovery.trials[i, j]
            axes.plot(
                differences[j], gaps[i], "o", markersize=15, markeredgecolor=INK,
                markerfacecolor=(*_rgb(CLEAN), full), zorder=4,
            )  # fmt: skip
        room = 0.06 * max(np.ptp(gaps), 1.0)
        axes.set_ylim(max(0.0, gaps[0] - room), gaps[-1] + room)
        wide = max(1.0, 0.06 * np.ptp(differences))
        axes.set_xticks(differences)
        axes.set_xlim(differences[0] - wide, differences[-1] + wide)
        axes.set_xlabel("second stroke over the first, dB (negative: softer)")
        axes.set_ylabel("gap, ms")
        axes.set_title("Recovery: how soon after a stroke a second one is caught")
        figure.legend(loc="outside lower center")
        return to_png(figure)


def _rgb(colour: str) -> tuple[float, float, float]:
    red, green, blue = (int(colour[k : k + 2], 16) / 255.0 for k in (1, 3, 5))
    return red, green, blue
