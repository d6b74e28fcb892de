"""``strikebench advise``: settings for a module on a pad, and why its notes went wrong."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import numpy as np
import typer
from rich.table import Table

from rig.cli.console import results, told

if TYPE_CHECKING:
    import pandas as pd

    from analysis.advise import Recommendation


def advise(
    run: Annotated[Path, typer.Argument(help="Run folder, with single strokes over all forces.")],
    false_per_h: Annotated[
        float, typer.Option(help="How often noise may trigger, per hour.", min=1e-6)
    ] = 1.0,
    least_gain_db: Annotated[float, typer.Option(help="Least gain that can be set.")] = -12.0,
    most_gain_db: Annotated[float, typer.Option(help="Greatest gain that can be set.")] = 24.0,
    front: Annotated[
        bool, typer.Option("--front", help="Print the trade-offs between settings too.")
    ] = False,
) -> None:
    """Advise detector settings from a run, each with its reason and what breaks beside it."""
    from analysis.advise import advise as recommend
    from analysis.causes import CAUSES, count, explain
    from analysis.pipeline import analyse_run
    from analysis.sensor import noise
    from analysis.waveforms import waveforms

    analysis = analyse_run(run)
    if analysis.recording.status != "complete":
        told.print(f"note: the run is {analysis.recording.status}; advice rests on what there is")
    specimen = analysis.recording.reader.specimen
    strokes = analysis.table.strokes
    cut = waveforms(analysis.recording, strokes)
    silence = noise(cut.silence, cut.sample_rate_hz)
    lonely = cut.lonely()
    clean = lonely.subset(lonely.strokes["valid"].to_numpy(dtype=bool))
    found = recommend(
        clean.envelopes,
        silence,
        today=specimen.module.settings,
        latency_ms=1e3 * clean.strokes["latency_s"].to_numpy(dtype=float),
        velocity=_velocities(clean.strokes),
        declared_exponent=specimen.module.declared_curve.exponent,
        false_per_h=false_per_h,
        gain_range_db=(least_gain_db, most_gain_db),
    )
    _print(found)
    if front:
        _print_front(found)
    causes = count(explain(cut, strokes, analysis.table.notes, specimen.module.settings, silence))
    if len(causes):
        results.print("\nwhat went wrong in this run:")
        for row in causes.to_dict("records"):
            mend = ""
            if row["setting"]:
                mend = f"; avoided by {row['setting']} = {row['avoided_by']:.3g}"
            results.print(
                f"{row['count']:>6} {row['kind']}: {CAUSES[row['cause']]}{mend}", markup=False
            )


def _velocities(strokes: pd.DataFrame) -> np.ndarray:
    """Velocities, NaN where there was no note."""
    velocity = strokes["velocity"].to_numpy(dtype=float)
    return np.where(np.isfinite(strokes["note_t_s"].to_numpy(dtype=float)), velocity, math.nan)


def _print(found: Recommendation) -> None:
    table = Table(box=None, pad_edge=False)
    for heading in ("setting", "advised", "today"):
        table.add_column(heading, justify="left" if heading == "setting" else "right")
    table.add_column("why")
    for one in found.advice:
        today = "-" if one.today is None else f"{one.today:g}"
        table.add_row(one.setting, f"{one.value:g}", today, one.reason)
    results.print(table)
    for one in found.advice:
        evidence = ", ".join(f"{name} = {value:.3g}" for name, value in one.evidence.items())
        results.print(f"\n{one.setting}: {evidence}", markup=False)
        results.print(f"  below  {one.below}", markup=False)
        results.print(f"  above  {one.above}", markup=False)
    latency = "not known" if math.isnan(found.latency_ms) else f"{found.latency_ms:.2f} ms"
    results.print(
        f"\npredicted over {found.count} strokes: mean latency {latency}, "
        f"{100 * found.lost_share:.1f} % lost, {100 * found.doubled_share:.1f} % double",
        markup=False,
    )
    for caution in found.cautions:
        results.print(f"note: {caution}", markup=False)


def _print_front(found: Recommendation) -> None:
    for title, rows in (
        ("latency against spread of the level", found.front.windows),
        (
            "doubles against the gap of a second stroke (all else as advised)",
            found.front.recoveries,
        ),
    ):
        shown = rows[rows["chosen"] | rows["today"] | rows["advised"]]
        results.print(f"\n{title}:")
        results.print(shown.round(3).to_string(index=False), markup=False)
