"""Limits and margins as a person writes them, the unit in the key, spelt out for the structs."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from rig.record.measure_names import COMPARED_UNITS, MEASURE_UNITS
from rig.record.toml_file import TomlFile, nearest
from rig.record.toml_lines import Key

UNIT_TOKENS = (*dict.fromkeys(MEASURE_UNITS.values()), "us", "db")
_BOUNDS = ("at_most", "at_least")
_LIMIT_KEYS = ("measure", "stage", "least_strokes")
_SHARES = ("lost_share", "double_share")
"""Measures that a sequential test can decide."""


def spell_limits(file: TomlFile) -> None:
    """Turn ``at_most_ms = 9`` of each limit into bound, value and unit; ``within_ms`` likewise.

    What can't be turned is noted among the file's faults.
    """
    _spell_each(file, "limit", _spelt_limit)
    _spell_each(file, "margin", _spelt_margin)


def _spell_each(
    file: TomlFile, name: str, spelt: Callable[[TomlFile, Key, dict[str, Any]], dict[str, Any]]
) -> None:
    tables = file.content.get(name, [])
    if not isinstance(tables, list):
        return
    for place, table in enumerate(tables):
        if isinstance(table, dict):
            tables[place] = spelt(file, (name, place), table)


def _spelt_limit(file: TomlFile, key: Key, table: dict[str, Any]) -> dict[str, Any]:
    spelt = {name: held for name, held in table.items() if name in _LIMIT_KEYS}
    measure = table.get("measure")
    unit = _unit_of(file, key, measure, MEASURE_UNITS)
    bounds = [name for name in table if name.startswith(_BOUNDS)]
    if measure in _SHARES and "good_percent" in table:
        spelt["good"] = _number(file, (*key, "good_percent"), table["good_percent"])
    for name in table:
        if name not in _LIMIT_KEYS and name not in bounds:
            if name == "good_percent" and measure in _SHARES:
                continue
            known = [*_LIMIT_KEYS, *(f"{bound}_{unit or 'ms'}" for bound in _BOUNDS)]
            file.unknown_key((*key, name), known)
    if len(bounds) != 1:
        file.fault(
            key,
            f"{len(bounds)} bounds found; one is asked for, at_most_UNIT or at_least_UNIT "
            f"(here UNIT is {unit or 'that of the measure'})",
        )
    for name in bounds:
        bound = next(one for one in _BOUNDS if name.startswith(one))
        given = name.removeprefix(bound).removeprefix("_")
        if not given:
            file.fault((*key, name), f"the unit is missing: write {bound}_{unit or 'UNIT'}")
        elif given not in UNIT_TOKENS:
            file.fault((*key, name), f"no such unit: {given!r}; write {bound}_{unit or 'UNIT'}")
        elif unit is not None and given != unit:
            file.fault((*key, name), f"{measure} is given in {unit}, not {given}: {bound}_{unit}")
        value = _number(file, (*key, name), table[name])
        spelt |= {"bound": bound, "value": value, "unit": given}
    if not bounds:
        spelt |= {"bound": "at_most", "value": 0.0, "unit": ""}
    return spelt


def _spelt_margin(file: TomlFile, key: Key, table: dict[str, Any]) -> dict[str, Any]:
    spelt = {name: held for name, held in table.items() if name == "measure"}
    unit = _unit_of(file, key, table.get("measure"), COMPARED_UNITS) or "UNIT"
    wanted = f"within_{unit}"
    for name in table:
        if name not in ("measure", wanted):
            file.unknown_key((*key, name), ["measure", wanted])
    if wanted not in table:
        file.fault(key, f"{wanted!r} is missing (UNIT is that of the measure)")
    value = _number(file, (*key, wanted), table.get(wanted, 1.0))
    if value <= 0.0:
        file.fault((*key, wanted), f"{value:g} found; above 0 is allowed")
    return spelt | {"value": value, "unit": unit}


def _unit_of(file: TomlFile, key: Key, measure: Any, units: Mapping[str, str]) -> str | None:
    unit = units.get(measure) if isinstance(measure, str) else None
    if isinstance(measure, str) and unit is None:
        file.fault((*key, "measure"), f"no such measure: {measure!r}{nearest(measure, units)}")
    return unit


def _number(file: TomlFile, key: Key, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        file.fault(key, f"{value!r} found; a number is asked for")
        return 0.0
    if not float("-inf") < value < float("inf"):
        file.fault(key, f"{value} found; a finite number is allowed")
    return float(value)
