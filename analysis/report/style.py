"""How all pictures look: large type, few colours, and no meaning that hangs on colour alone."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

INK = "#1d2730"
PALE = "#b9c3cc"
CLEAN = "#2a6f97"
LOST = "#c1440e"
DOUBLE = "#8a4fbf"
LIMIT = "#5b4a00"
BAND = "#cfe3ee"

_SETTINGS: Any = {
    "font.size": 18,
    "axes.titlesize": 18,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelsize": 18,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "text.color": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "grid.color": "#e5e9ec",
    "lines.linewidth": 2.2,
    "legend.frameon": False,
    "legend.fontsize": 17,
    "figure.dpi": 100,
    "svg.fonttype": "none",
    # names of pads and stages are text, never formulas
    "text.parse_math": False,
}


@contextmanager
def picture(width: float = 11.0, height: float = 5.0) -> Iterator[Figure]:
    """Give an empty figure in the house style; size in inches.

    Made without pyplot, so that no figure is kept alive and threads don't share one.
    """
    with mpl.rc_context(_SETTINGS):
        yield Figure(figsize=(width, height), layout="constrained")


def to_png(figure: Figure) -> bytes:
    """Return the figure as a PNG file's bytes."""
    with mpl.rc_context(_SETTINGS), io.BytesIO() as file:
        figure.savefig(file, format="png", dpi=100)
        return file.getvalue()


def upright(
    axes: Axes, value: float, text: str, *, colour: str, style: Any = "-", height: float = 0.985
) -> None:
    """Draw an upright line with its words beside it, on the side that has room.

    ``height``: of the words, as a share of the axes'. Set the axes' limits first.
    """
    axes.axvline(value, color=colour, linestyle=style, linewidth=2)
    low, high = axes.get_xlim()
    on_right = value < low + 0.6 * (high - low)
    axes.annotate(
        text,
        (value, height),
        xycoords=("data", "axes fraction"),
        xytext=(6 if on_right else -6, 0),
        textcoords="offset points",
        ha="left" if on_right else "right",
        va="top",
        color=colour,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5, "alpha": 0.85},
        zorder=5,
    )


def brief(name: str, most: int = 20) -> str:
    """Give a name so short that it fits beside a line, its end left out if need be."""
    return name if len(name) <= most else f"{name[: most - 1]}…"


def limit_lines(axes: Axes, limits: Sequence[tuple[float, str]], *, below: int = 0) -> None:
    """Draw limits upright, their words one below the other so that none hides another's.

    ``below``: lines of words that stand above them.
    """
    for place, (value, words) in enumerate(limits, start=below):
        upright(axes, value, words, colour=LIMIT, style=(0, (5, 2)), height=0.985 - 0.1 * place)
