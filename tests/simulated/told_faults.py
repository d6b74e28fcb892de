"""Planted runs struck: the faults that the analysis tells beside those that truly were."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import struck
from planted import Plant, in_the_cupboard
from true_faults import true_faults

from analysis.causes import explain
from analysis.pipeline import Analysis
from analysis.sensor import noise
from analysis.waveforms import waveforms

FAR_S = 0.003
"""A told fault is the true one when it lies this near (an onset under another's sound is inferred)."""


def strike(planted: Plant, folder: Path, seed: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Strike, and give (true faults, told faults), both with columns kind, t_s and cause."""
    with in_the_cupboard(planted):
        analysis, truth = struck.strike(
            planted.protocol,
            folder,
            pad=planted.pad.name,
            module=planted.module.name,
            firmware=planted.module.firmware,
            settings=planted.claimed,
            seed=seed,
        )
    true = true_faults(planted, truth)
    # what sounds before the recording begins, or as it ends, is not on it
    recorded = true["t_s"].between(0.0, analysis.recording.duration_s - 0.02)
    return true[recorded].reset_index(drop=True), told_faults(analysis)


def told_faults(analysis: Analysis) -> pd.DataFrame:
    """What the analysis says of each fault."""
    cut = waveforms(analysis.recording, analysis.table.strokes)
    silence = noise(cut.silence, cut.sample_rate_hz)
    settings = analysis.specimen.module.settings
    return explain(cut, analysis.table.strokes, analysis.table.notes, settings, silence)


def confusion(pairs: list[tuple[pd.DataFrame, pd.DataFrame]]) -> pd.DataFrame:
    """Count true causes (rows) against told ones (columns); ``missed`` and ``made up`` too."""
    counted: list[tuple[str, str]] = []
    for true, told in pairs:
        free = set(range(len(told)))
        for row in true.itertuples():
            near = [
                k
                for k in free
                if told["kind"][k] == row.kind and abs(told["t_s"][k] - row.t_s) < FAR_S
            ]
            if not near:
                counted.append((row.cause, "missed"))
                continue
            free.discard(near[0])
            counted.append((row.cause, told["cause"][near[0]]))
        counted += [("nothing", told["cause"][k]) for k in free]
    found = pd.DataFrame(counted, columns=["true", "told"])
    return pd.crosstab(found["true"], found["told"])
