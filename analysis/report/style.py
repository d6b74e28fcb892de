"""How all pictures look: large type, few colours, and no meaning that hangs on colour alone."""

from __future__ import annotations

import io
from collections.abc import Iterator
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
    "font.size": 14,
    "axes.titlesize": 16,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelsize": 14,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "text.color": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "grid.color": "#e5e9ec",
    "lines.linewidth": 2.2,
    "legend.frameon": False,
    "legend.fontsize": 13,
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


def limit_line(axes: Axes, value: float, text: str, *, vertical: bool = True) -> None:
    """Draw a limit with its words beside it."""
    if vertical:
        axes.axvline(value, color=LIMIT, linestyle=(0, (5, 2)))
        axes.annotate(
            text,
            (value, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(4, -4),
            textcoords="offset points",
            va="top",
            color=LIMIT,
        )
    else:
        axes.axhline(value, color=LIMIT, linestyle=(0, (5, 2)))
        axes.annotate(
            text,
            (1.0, value),
            xycoords=("axes fraction", "data"),
            xytext=(-4, 4),
            textcoords="offset points",
            ha="right",
            color=LIMIT,
        )
