"""``strikebench qualify``: which difference between specimens this bench can see."""

from __future__ import annotations

import datetime
import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rig.cli.allow import Allow
from rig.cli.console import results
from rig.record.bench_fault import BenchError

if TYPE_CHECKING:
    from analysis.qualify import StudiedRun


def qualify(
    runs: Annotated[list[Path], typer.Argument(help="Run folders of one protocol, 2 or more.")],
    reading: Annotated[
        str, typer.Option(metavar="READING", help="latency, velocity or level.")
    ] = "latency",
    condition: Annotated[
        list[str] | None,
        typer.Option(
            metavar="CONDITION",
            help="What was changed: striker, day, mounting or run. May be repeated; with one "
            "specimen the outermost first.",
        ),
    ] = None,
    difference: Annotated[
        float | None, typer.Option(help="Difference to be seen, in the reading's unit.")
    ] = None,
    strokes: Annotated[int, typer.Option(help="Strokes on each specimen.", min=1)] = 100,
    stability: Annotated[
        bool,
        typer.Option("--stability", help="Drift and bias of each striker over 5 runs or more."),
    ] = False,
    reference: Annotated[
        float | None,
        typer.Option(help="What should have been read, for the bias, in the reading's unit."),
    ] = None,
    allow: Allow = None,
) -> None:
    """Split the spread of readings into the bench's own and the specimens'."""
    from analysis.alike import facts_of, refuse_unlike
    from analysis.pipeline import analyse_run
    from analysis.qualify import READINGS, StudiedRun
    from analysis.qualify import qualify as study
    from analysis.same_strokes import caution, pairs_of_same

    studied, facts = [], []
    by_id: dict[str, Path] = {}
    for path in runs:
        analysis = analyse_run(path)
        if analysis.start.run_id in by_id:
            raise BenchError(
                f"gauge study: {by_id[analysis.start.run_id]} and {path} are the same run, whose "
                "readings would count twice. Give another one"
            )
        by_id[analysis.start.run_id] = path
        if analysis.recording.status != "complete":
            results.print(f"note: {path}: {analysis.reason()}")
        reader = analysis.recording.reader
        pad, module = reader.specimen.pad, reader.specimen.module
        facts.append(facts_of(str(path), reader.bench, reader.protocol, reader.specimen))
        studied.append(
            StudiedRun(
                name=str(path),
                specimen=f"{pad.name} {pad.serial}, {module.name} {module.serial} "
                f"{module.firmware}",
                day=reader.start.created_utc[:10],
                mounting=pad.mounting,
                strokes=analysis.table.strokes,
                begun_s=datetime.datetime.fromisoformat(reader.start.created_utc).timestamp(),
            )
        )
    for text in refuse_unlike(facts, allow or ()):
        results.print(f"allowed although {text}")
    twins = pairs_of_same({one.name: one.strokes for one in studied})
    if twins:
        results.print(f"caution: {caution(twins)}")
    if stability:
        _print_stability(studied, reading, math.nan if reference is None else reference)
        return
    found = study(studied, reading=reading, conditions=tuple(condition or ("run",)))
    unit = READINGS[reading][2] if reading in READINGS else ""
    results.print(f"method: {found.method}, {found.count} readings")
    shares = {"repeatability": found.repeatability_sd}
    shares |= {f"between {name}": sd for name, sd in found.condition_sd.items()}
    shares |= {"bench in all": found.gauge_sd}
    several = found.part_sd > 0.0
    if several:
        shares |= {"between specimens": found.part_sd}
    for name, sd in shares.items():
        results.print(f"{name:>20}  {sd:.4g} {unit} (standard deviation)")
    if several:
        results.print(
            f"{found.standing.upper()}: the bench makes {found.gauge_percent:.1f} % of the spread "
            f"and tells {found.categories} categories of specimens apart",
        )
    for same in (False, True):
        seen = found.visible_difference(strokes, same_session=same)
        where = "within one session" if same else "from session to session"
        results.print(f"{strokes} strokes a specimen show {seen:.3g} {unit} {where}")
        if difference is not None:
            results.print(
                f"  {difference:g} {unit}: {found.verdict(difference, strokes, same_session=same)}",
            )


def _print_stability(studied: list[StudiedRun], reading: str, reference: float) -> None:
    from analysis.qualify import READINGS, over_a_day

    for striker, found in over_a_day(studied, reading=reading, reference=reference).items():
        unit = READINGS[reading][2]
        results.print(
            f"striker {striker}: {found.standing.upper()} over {found.count} runs; drift "
            f"{found.drift_per_h:+.3g} {unit}/h ({found.drift_low:+.3g} to "
            f"{found.drift_high:+.3g})",
        )
        if math.isfinite(found.bias):
            results.print(
                f"  bias {found.bias:+.3g} {unit} ({found.bias_low:+.3g} to "
                f"{found.bias_high:+.3g})",
            )
        if found.outside:
            places = ", ".join(str(place + 1) for place in found.outside)
            results.print(f"  beyond control limits: run {places}")
