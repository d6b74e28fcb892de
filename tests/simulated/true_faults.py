"""The true cause of each double, lost stroke, stray and crosstalk of a planted run.

Told from what truly happened: which part of which stroke made the module trigger, and what its
re-arming level was.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pandas as pd
import struck
from planted import Plant

from rig.simulation.contact import Contact
from rig.simulation.pad import Pad
from rig.simulation.presets import STRIKERS

RIM = 40
DOUBLE_S = 0.15
"""A further note so soon after a stroke counts as its double."""


def true_faults(planted: Plant, truth: struck.Truth) -> pd.DataFrame:
    """Label every fault from the truth; times on the clock of the analysis."""
    contacts, notes = truth.content["contacts"], truth.content["notes"]
    onset_s, end_s = truth.column("contacts", "onset_s"), truth.column("notes", "end_s")
    sounds = _sounds(planted, contacts)
    rows: list[tuple[str, float, str]] = []
    firsts: dict[int, dict[str, Any]] = {}
    for note, at_s in zip(notes, end_s, strict=True):
        contact = note["contact"]
        before = int(np.searchsorted(onset_s, at_s)) - 1
        if contact < 0 and before in firsts and at_s - onset_s[before] < DOUBLE_S:
            contact = before
        if note["note"] == RIM:
            rows.append(("crosstalk", at_s, "crosstalk"))
        elif contact < 0:
            rows.append(("stray", at_s, "noise"))
        elif contact not in firsts:
            firsts[contact] = note
        else:
            cause = _double(planted, sounds, contacts, firsts[contact], note)
            rows.append(("double", onset_s[contact], cause))
    gain = 10.0 ** (planted.settings["gain_db"] / 20.0)
    for k, contact in enumerate(contacts):
        if k not in firsts:
            heard = contact["level"] * gain > planted.settings["threshold_percent"] / 100.0
            alone = k == 0 or contact["onset_s"] - contacts[k - 1]["onset_s"] > 0.12
            cause = "shadowed" if heard and not alone else "under_threshold"
            rows.append(("lost", onset_s[k], cause))
    struck_by = {contact["strike"] for contact in contacts}
    for number, pulse in enumerate(truth.content["pulses"]):
        if number not in struck_by:
            at_s = truth.t_s(np.array([pulse["on_s"]]))[0]
            rows.append(("not_struck", float(at_s), "bench_fault"))
    found = pd.DataFrame(rows, columns=["kind", "t_s", "cause"])
    return found.sort_values("t_s", ignore_index=True)


def _sounds(planted: Plant, contacts: list[dict[str, Any]]) -> list[Any]:
    pad = Pad(planted.pad)
    made = []
    for row in contacts:
        facts = {field.name: row.get(field.name, 0.0) for field in dataclasses.fields(Contact)}
        made.append(pad.sound(Contact(**facts | {"angle_rad": STRIKERS[row["striker"]].angle_rad})))
    return made


def _double(
    planted: Plant, sounds: list[Any], contacts: list[dict[str, Any]], first: dict[str, Any],
    second: dict[str, Any],
) -> str:  # fmt: skip
    """Tell why the module triggered again: by the part of the stroke that did, or by clipping.

    Clipping is the cause where the same module with converters that do not clip would have stayed
    silent: its peak would have been higher, and with it the level to pass.
    """
    sound = sounds[first["contact"]]
    begin_s = contacts[first["contact"]]["contact_s"]
    gain = 10.0 ** (planted.settings["gain_db"] / 20.0)
    window_s = 1e-3 * planted.settings["peak_window_ms"]
    fine_s = np.arange(0.0, window_s, 2e-5)
    peak = gain * np.abs(sound.voltage(first["trigger_s"] - begin_s + fine_s)).max()
    if peak > 1.0:
        blind_s = max(window_s, 1e-3 * planted.settings["dead_time_ms"])
        t_s = np.arange(first["trigger_s"] + blind_s, second["trigger_s"] + 1e-3, 2e-5)
        age = (t_s - first["trigger_s"] - blind_s) / (1e-3 * planted.settings["release_ms"])
        level = gain * np.abs(sound.voltage(t_s - begin_s))
        if not (level > peak * np.exp(-age)).any():
            return "clipped"
    heard_s = second["trigger_s"] - begin_s + fine_s
    if (
        gain * np.abs(sound.voltage(heard_s)).max()
        < 0.5 * 0.01 * planted.settings["threshold_percent"]
    ):
        return "noise"
    parts = {name: np.abs(wave).max() for name, wave in sound.parts(heard_s).items()}
    return "late_peak" if parts["late peak"] > parts["ringing"] else "release_too_fast"
