"""All that one run says on settings, causes and its sensor, for the page and the screen."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.advise import Recommendation, advise
from analysis.causes import COLUMNS, explain
from analysis.flam import flam_pairs
from analysis.pipeline import Analysis
from analysis.recovery import RecoveryMap
from analysis.sensor import Noise, SensorError, noise
from analysis.sensor_facts import (
    Fact,
    crosstalk_positions,
    crosstalk_table,
    force_table,
    noise_facts,
    position_table,
    stroke_facts,
)
from analysis.waveforms import SILENCE_AFTER_S, Waveforms, waveforms_of_parts
from rig.record.bench_fault import BenchError

LEAST_GAPS = 3
"""Gaps of pairs, without which there is no recovery map."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Evidence:
    """What a run says.

    Attributes
    ----------
    analysis
        The run, measured.
    cut, silence
        Its strokes' waveforms, and its sensor's noise.
    advice, no_advice
        Settings; or None, and a sentence on why there are none.
    explained
        Every fault of the run with its cause.
    facts, by_force, crosstalk, positions, crosstalk_positions
        The sensor itself; tables may be empty.
    recovery
        None with pairs of fewer than ``LEAST_GAPS`` gaps.
    """

    analysis: Analysis
    cut: Waveforms
    silence: Noise
    advice: Recommendation | None
    no_advice: str
    explained: pd.DataFrame
    facts: list[Fact]
    by_force: pd.DataFrame
    crosstalk: pd.DataFrame
    positions: pd.DataFrame
    crosstalk_positions: pd.DataFrame
    recovery: RecoveryMap | None

    @property
    def force_known(self) -> bool:
        """Strokes are told apart by force; by pulse width on a bench that is not calibrated."""
        return bool(np.isfinite(self.cut.strokes["force_n"].to_numpy(dtype=float)).any())


def gather(
    analysis: Analysis,
    *,
    false_per_h: float = 1.0,
    gain_range_db: tuple[float, float] = (-12.0, 24.0),
    elsewhere: Sequence[Analysis] = (),
) -> Evidence:
    """Gather the evidence of a run.

    Parameters
    ----------
    analysis
        The run.
    false_per_h, gain_range_db
        As in :func:`analysis.advise.advise`.
    elsewhere
        Runs on the same pad, struck at other places.

    Raises
    ------
    BenchError
        No stroke with an onset, or too little silence to know the noise.
    """
    recording, strokes = analysis.recording, _judged(analysis)
    cut = _cut(analysis)
    try:
        silence = noise(cut.silence, cut.sample_rate_hz, cut.silence_pieces)
    except SensorError as error:
        raise SensorError(f"{recording.path}: {error}") from error
    settings = analysis.specimen.module.settings
    advice, no_advice = None, ""
    lonely = cut.lonely()
    clean = lonely
    if len(analysis.table.notes):
        clean = lonely.subset(lonely.strokes["valid"].to_numpy(dtype=bool))
    try:
        advice = advise(
            clean.envelopes,
            silence,
            today=settings,
            latency_ms=1e3 * clean.strokes["latency_s"].to_numpy(dtype=float),
            velocity=_velocities(clean.strokes),
            declared_exponent=analysis.specimen.module.declared_curve.exponent,
            force_known=bool(np.isfinite(clean.strokes["force_n"].to_numpy(dtype=float)).any()),
            false_per_h=false_per_h,
            gain_range_db=gain_range_db,
        )
    except BenchError as error:
        no_advice = str(error)
    if advice is not None and cut.silence_after_s < SILENCE_AFTER_S[0]:
        text = (
            f"noise is what was heard from {cut.silence_after_s:g} s after a stroke on, where the "
            "pad may still ring: it may be less; give the protocol an idle stage"
        )
        advice = dataclasses.replace(advice, cautions=(*advice.cautions, text))
    places = _places([analysis, *elsewhere], cut) if elsewhere else {}
    crosstalk = crosstalk_over = pd.DataFrame()
    if "second_zone" in recording.roles:
        beside = _cut(analysis, "second_zone")
        crosstalk = crosstalk_table(cut, beside)
        if all("second_zone" in run.recording.roles for run in elsewhere):
            zones = [beside, *(_cut(run, "second_zone") for run in elsewhere)]
            both = zip(places.values(), zones, strict=False)
            crosstalk_over = crosstalk_positions(dict(zip(places, both, strict=True)))
    return Evidence(
        analysis=analysis,
        cut=cut,
        silence=silence,
        advice=advice,
        no_advice=no_advice,
        explained=explain(cut, strokes, analysis.table.notes, settings, silence),
        facts=[*noise_facts(cut.silence, silence), *stroke_facts(cut, today=settings)],
        by_force=force_table(cut),
        crosstalk=crosstalk,
        positions=position_table(places),
        crosstalk_positions=crosstalk_over,
        recovery=recovery_of(strokes),
    )


def why(analysis: Analysis) -> pd.DataFrame:
    """Explain a run's lost, double and stray notes; rows as of :func:`analysis.causes.explain`.

    Empty where nothing went wrong, and where the run holds too little sound to tell.
    """
    strokes, notes = _judged(analysis), analysis.table.notes
    wrong = strokes["outcome"].isin(["lost", "double", "no_contact"]).any() or (
        len(notes) > 0 and not notes["role"].isin(["first"]).all()
    )
    nothing = pd.DataFrame(columns=COLUMNS)
    if not wrong:
        return nothing
    try:
        cut = _cut(analysis)
        silence = noise(cut.silence, cut.sample_rate_hz, cut.silence_pieces)
    except BenchError:
        return nothing
    return explain(cut, strokes, notes, analysis.specimen.module.settings, silence)


def _cut(analysis: Analysis, role: str = "sensor") -> Waveforms:
    return waveforms_of_parts(analysis.recordings, analysis.begins, _judged(analysis), role=role)


def _judged(analysis: Analysis) -> pd.DataFrame:
    """Stroke table in which an onset that no strike of the plan explains is not called lost.

    It is no stroke of the bench, or its events were lost and its note with them: the counts leave
    it out, and so has it no cause.
    """
    strokes = analysis.table.strokes
    unexplained = (strokes["strike"] < 0) & bool((strokes["strike"] >= 0).any())
    outcome = strokes["outcome"].where(~(unexplained & (strokes["outcome"] == "lost")), "invalid")
    return strokes.assign(outcome=outcome)


def _velocities(strokes: pd.DataFrame) -> NDArray[np.float64]:
    """Velocities, NaN where there was no note."""
    velocity = strokes["velocity"].to_numpy(dtype=float)
    return np.where(np.isfinite(strokes["note_t_s"].to_numpy(dtype=float)), velocity, math.nan)


def _places(runs: Sequence[Analysis], first: Waveforms) -> dict[float, Waveforms]:
    """Strokes by their strike position; runs on one pad, each struck at another place."""
    pads = {(run.start.pad_name, run.specimen.pad.serial) for run in runs}
    places = [run.specimen.pad.strike_position for run in runs]
    if len(pads) > 1 or len(set(places)) < len(places):
        raise SensorError(
            f"level over strike position: pads {', '.join(sorted(map(' '.join, pads)))}, struck at "
            f"{', '.join(f'{place:g}' for place in places)}; one pad, struck at a different "
            "strike_position in each run, is needed"
        )
    others = [_cut(run) for run in runs[1:]]
    return dict(zip(places, [first, *others], strict=True))


def recovery_of(strokes: pd.DataFrame) -> RecoveryMap | None:
    """Return the map of a run's pairs; None with fewer than ``LEAST_GAPS`` gaps."""
    pairs = flam_pairs(strokes).rows
    pairs = pairs[np.isfinite(pairs["gap_ms"]) & np.isfinite(pairs["level_difference_db"])]
    gaps, differences = (np.unique(pairs[c]) for c in ("gap_ms", "level_difference_db"))
    if gaps.size < LEAST_GAPS:
        return None
    found = RecoveryMap(gaps, differences)
    found.record_table(pairs)
    return found
