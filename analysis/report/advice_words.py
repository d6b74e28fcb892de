"""How settings, causes and the sensor's figures are told to a person, on a page or a screen."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import pandas as pd

from analysis.advise import Recommendation
from analysis.causes import CAUSES
from analysis.measure import UNITS
from rig.record.specimen import Specimen

_ENDINGS = {
    "percent": "%", "ms": "ms", "db": "dB", "dbfs": "dBFS", "per_h": "an hour", "n": "N", "s": "s",
}  # fmt: skip
KINDS = {
    "lost": "lost",
    "double": "double",
    "stray": "stray",
    "crosstalk": "crosstalk",
    "not_struck": "not struck",
}


def records(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a table by the names of their columns."""
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]


def named(name: str, value: float) -> str:
    """Tell a figure by its name with a unit: ``gap_alike_ms`` as "gap alike 12.9 ms"."""
    words, unit = split_unit(name)
    if unit in ("dB", "dBFS"):
        value = round(value, 2) + 0.0  # no "under 0.001", nor minus nothing
    return f"{words} {number(value)} {unit}".strip()


def split_unit(name: str) -> tuple[str, str]:
    """Part a name and the unit that it ends in: ("dead time", "ms")."""
    for ending in sorted(_ENDINGS, key=len, reverse=True):
        if name.endswith(f"_{ending}"):
            plain = name.removesuffix(f"_{ending}").replace("_", " ").replace(" db ", " dB ")
            return plain, _ENDINGS[ending]
    return name.replace("_", " "), UNITS.get(name, "")


def zones(specimen: Specimen) -> str:
    """Tell which zone the settings are for; empty for a pad with one."""
    struck, *others = specimen.module.zones
    if not others:
        return ""
    names = ", ".join(zone.id for zone in others)
    return (
        f"These settings are for the zone {struck.id}, the one that was struck; {names} may want "
        "others: strike it in a run of its own, with that zone first in the specimen file."
    )


def setting(name: str, value: float | None) -> str:
    """Tell a setting's value with its unit; a dash where it is not known."""
    if value is None or not math.isfinite(value):
        return "–"
    return f"{value:.3g} {split_unit(name)[1]}".strip()


def number(value: float) -> str:
    """Give three significant digits; a dash where there is no number, "under" a very small one."""
    if not math.isfinite(value):
        return "–"
    if 0.0 < abs(value) < 1e-3:
        return "under 0.001"
    return f"{value:.3g}" if abs(value) < 1e3 else f"{value:.0f}"


def evidence(figures: Mapping[str, float]) -> str:
    """Tell the figures behind a setting in one line; those that are not known are left out."""
    known = {name: value for name, value in figures.items() if math.isfinite(value)}
    return "; ".join(named(name, value) for name, value in known.items()) or "nothing known"


def mend(row: Mapping[str, Any]) -> str:
    """Tell what would have avoided a cause."""
    if row["setting"] and math.isfinite(row["avoided_by"]):
        told = f"{split_unit(row['setting'])[0]} {setting(row['setting'], row['avoided_by'])}"
        # notes too many are avoided by more of all but the gain, notes too few by less
        more = row["kind"] in ("double", "stray") and row["setting"] != "gain_db"
        told += " or more" if more else " or less"
        if row["kind"] == "double" and row["setting"] == "dead_time_ms":
            told += " (from the trigger; the second note's peak window included)"
        return told
    if row["cause"] == "bench_fault":
        return "a mended bench: see that the striker moves freely and the wires hold"
    if row["cause"] == "crosstalk":
        return "a setting of the module between its zones, or a softer mount"
    if row["cause"] == "noise":
        return "better cable and earth: a threshold above it would lose strokes"
    if row["cause"] == "touched":
        return "nothing that touches the pad"
    return "no setting alone: what waits less would let single strokes double"


def cause(row: Mapping[str, Any]) -> str:
    """Tell a cause."""
    return CAUSES[row["cause"]]


def predicted(found: Recommendation) -> str:
    """Tell what the advised settings are expected to give."""
    latency = "not known"
    if math.isfinite(found.latency_ms):
        latency = f"{found.latency_ms:.2f} ms"
    return (
        f"Expected of the {found.count} strokes struck alone: mean latency {latency}, "
        f"{100 * found.lost_share:.1f} % lost, {100 * found.doubled_share:.1f} % double."
    )
