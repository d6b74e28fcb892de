"""All measures of a run, and the record of them (``measures.json``)."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from analysis.counts import count_measures, crosstalk_share, stray_rate
from analysis.decide import Decision, RunStatus, overall
from analysis.flam import flam_measures
from analysis.latency import latency_measures
from analysis.measure import UNITS, Measure
from analysis.module_out import sound_measures
from analysis.noise import noise_floor
from analysis.roll import resolvable_rates
from analysis.selection import check_tables
from analysis.source_difference import SourceDifference, difference_measures
from analysis.velocity import velocity_measures
from rig.record.protocol import GivenStage, Protocol
from rig.record.specimen import Specimen

FORMAT = 1
"""Version of the schema of ``measures.json``; ``protocols/MEASURES.md`` documents it."""

GIVEN = str(GivenStage.__struct_config__.tag)

_TAIL_S = 0.5  # a note may still come this long after the last stroke of a stage


def stage_spans(strokes: pd.DataFrame) -> dict[str, list[tuple[float, float]]]:
    """Return the stretches of time of each stage as its strokes tell them, burst by burst.

    A stretch lasts from the first drive (or onset) of a burst to half a second after its last, or
    to the begin of the next burst. A stage that strikes nothing isn't among them: give its span to
    :func:`measure_all`.
    """
    explained = strokes["strike"] >= 0
    if not explained.any():
        explained = strokes["strike"] < 0
    at = strokes["drive_t_s"].where(np.isfinite(strokes["drive_t_s"]), strokes["onset_t_s"])
    table = pd.DataFrame({"at": at, "stage": strokes["stage"], "burst": strokes["burst"]})
    # an onset that no strike explains belongs to no stage, and may lie anywhere
    table = table[np.isfinite(table["at"]) & explained]
    spans = [
        (float(part.min()), float(part.max()), str(stage))
        for (stage, _), part in table.groupby(["stage", "burst"])["at"]
    ]
    spans.sort()
    found: dict[str, list[tuple[float, float]]] = {}
    for i, (begin, end, stage) in enumerate(spans):
        until = spans[i + 1][0] if i + 1 < len(spans) else math.inf
        found.setdefault(stage, []).append((begin, max(end, min(end + _TAIL_S, until))))
    return found


def _known(strokes: pd.DataFrame, *names: str) -> bool:
    """Whether any row has one of these figures; also where there is no row, which says as much."""
    return not len(strokes) or bool(np.isfinite(strokes[list(names)].astype(float)).any(axis=None))


def _of_stage(
    strokes: pd.DataFrame, notes: pd.DataFrame, spans: list[tuple[float, float]], stage: str,
    specimen: Specimen | None, confidence: float, patterns: set[str],
    timing: Mapping[str, Any],
) -> list[Measure]:  # fmt: skip
    common: dict[str, Any] = {"confidence": confidence, "stage": stage}
    found: list[Measure] = []
    if patterns - {"idle"}:
        found += latency_measures(strokes, **common, **timing)
        if "sound_t_s" in strokes:
            found += sound_measures(strokes, **common)
        found += count_measures(strokes, **common)
        found.append(crosstalk_share(strokes, notes, **common))
    found.append(stray_rate(notes, spans, **common))
    if "roll" in patterns:
        found += resolvable_rates(strokes, **common)
    if "flam" in patterns:
        found += flam_measures(strokes, **common)
    if "single" in patterns and _known(strokes, "force_n", "width_us"):
        curve = specimen.module.declared_curve if specimen else None
        found += velocity_measures(strokes, **common, curve=curve)
    return found


def _patterns(strokes: pd.DataFrame, protocol: Protocol | None) -> dict[str, set[str]]:
    """Stage -> patterns struck in it: the protocol's; of strokes that were given, their own."""
    named = strokes[strokes["stage"].fillna("").astype(bool)]
    own = {str(name): set(rows.astype(str)) for name, rows in named.groupby("stage")["pattern"]}
    if protocol is None:
        return own
    tags = {stage.name: str(stage.__struct_config__.tag) for stage in protocol.stages}
    return {
        # onsets without a plan belong to no stage: they are single strokes
        name: own.get(name, {"single"}) if tag == GIVEN else {tag}
        for name, tag in tags.items()
    }


def measure_all(
    strokes: pd.DataFrame,
    notes: pd.DataFrame,
    protocol: Protocol | None = None,
    specimen: Specimen | None = None,
    *,
    spans_s: Mapping[str, Sequence[tuple[float, float]]] | None = None,
    idle_samples: ArrayLike | None = None,
    sample_rate_hz: float = math.nan,
    systematic_u_s: float | None = None,
    budget_s: Mapping[str, float] | None = None,
    late_at_most_s: float = 0.0,
    differences: Sequence[SourceDifference] = (),
    listened: bool = True,
) -> list[Measure]:
    """Measure a whole run, and each of its stages.

    Parameters
    ----------
    strokes, notes
        Stroke table and notes table (DEVELOPERS.md).
    protocol
        Its confidence and stages; ``None`` (an import): 95 %, and stages and patterns as the
        strokes have them. Without a plan every stroke is measured as a single one.
    specimen
        Its declared velocity curve.
    spans_s
        Stage -> stretches of time (begin, end) on the audio clock in which strays count;
        ``None``: as :func:`stage_spans` tells them, which leaves idle stages out.
    idle_samples, sample_rate_hz
        Sensor channel while nothing was struck, for the noise floor.
    systematic_u_s, budget_s, late_at_most_s
        See :func:`analysis.latency.latency_measures`.
    differences
        Further sources of notes against the one that was used.
    listened
        Notes were recorded at all; else none can be a stray.

    Returns
    -------
    list of Measure
        Whole run first (``stage`` empty), then stage by stage. What a pattern can't tell is not
        among them.

    Raises
    ------
    BenchError
        A table lacks a column.
    """
    check_tables(strokes, notes)
    confidence = protocol.confidence if protocol else 0.95
    spans: Mapping[str, Sequence[tuple[float, float]]]
    spans = stage_spans(strokes) if spans_s is None else spans_s
    planned = strokes["strike"] >= 0
    if not planned.any() and len(strokes):
        strokes = strokes.assign(pattern="single")
    patterns = _patterns(strokes, protocol)
    every = {one for some in patterns.values() for one in some}
    every = every or set(strokes["pattern"].astype(str))
    shared = (specimen, confidence)
    timing: dict[str, Any] = {
        "systematic_u_s": systematic_u_s, "budget_s": budget_s, "late_at_most_s": late_at_most_s,
    }  # fmt: skip
    whole = [span for stage in spans.values() for span in stage]
    found = _of_stage(strokes, notes, whole, "", *shared, every, timing)
    if idle_samples is not None:
        found.append(noise_floor(idle_samples, sample_rate_hz, confidence=confidence))
    found += difference_measures(differences, confidence=confidence)
    for stage, some in patterns.items():
        rows = strokes[strokes["stage"] == stage]
        heard = notes[(notes["role"] == "stray") | notes["stroke"].isin(rows["stroke"])]
        found += _of_stage(rows, heard, list(spans.get(stage, ())), stage, *shared, some, timing)
    return [measure for measure in found if listened or measure.name != "stray_rate"]


def _plain(value: Any) -> Any:
    """Return what JSON holds: NaN and infinity become ``None``, numpy numbers plain ones."""
    if isinstance(value, Mapping):
        return {str(key): _plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple | np.ndarray):
        return [_plain(one) for one in value]
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    return value


def to_json(
    measures: Sequence[Measure],
    decisions: Sequence[Decision] = (),
    *,
    run_status: RunStatus = "complete",
    **facts: Any,
) -> dict[str, Any]:
    """Return the record of measures and decisions, ready for ``json.dumps(allow_nan=False)``.

    Parameters
    ----------
    measures, decisions
        As from :func:`measure_all` and :func:`analysis.decide.decide_all`.
    run_status
        As given to the decisions.
    facts
        Further top-level entries (run name, versions); they must be plain.
    """
    record: dict[str, Any] = {
        "format": FORMAT,
        **facts,
        "run_status": run_status,
        "verdict": overall(decisions, run_status),
        "units": dict(UNITS),
        "measures": [dataclasses.asdict(measure) for measure in measures],
        "decisions": [
            {
                "measure": decision.limit.measure,
                "stage": decision.limit.stage,
                "bound": decision.limit.bound,
                "limit": decision.limit.value,
                "unit": decision.limit.unit,
                "least_strokes": decision.limit.least_strokes,
                "verdict": decision.verdict,
                "reason": decision.reason,
                "further_strokes": decision.further_strokes,
            }
            for decision in decisions
        ],
    }
    plain: dict[str, Any] = _plain(record)
    return plain
