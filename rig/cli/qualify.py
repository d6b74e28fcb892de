"""``strikebench qualify``: which difference between specimens this bench can see."""

from __future__ import annotations

import datetime
import math
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.table import Table

from rig.cli.allow import Allow
from rig.cli.console import results, told
from rig.cli.exit_code import ExitCode
from rig.record.bench_fault import BadFileError, BenchError, UnfinishedRunError

if TYPE_CHECKING:
    from analysis.gauge_study import GaugeStudy
    from analysis.pipeline import Analysis
    from analysis.qualify import StudiedRun
    from analysis.variance_split import Figure

BESIDE_A_RUN = ".truth.json"
"""End of the name of the file that a simulated bench writes beside a run folder."""

OF_WORD = {
    "seen": ExitCode.DONE,
    "undecided": ExitCode.UNDECIDED,
    "not seen": ExitCode.FAIL,
    "good": ExitCode.DONE,
    "conditional": ExitCode.DONE,
    "bad": ExitCode.FAIL,
    "": ExitCode.DONE,
    "incomplete": ExitCode.INCOMPLETE,
    "invalid": ExitCode.INVALID,
}
"""What a study found (nothing: no difference was asked for, of one specimen) to its exit code."""


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
        float | None,
        typer.Option(
            help="Difference to be seen, in the reading's unit, above 0. Exit code 0 if seen "
            "from session to session, 1 if not, 3 if undecided."
        ),
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
    """Split the spread of readings into the bench's own and the specimens'.

    Without --difference the exit code is 1 where the bench is bad: more than 30 % of the spread,
    or, with --stability, a striker that is not steady.
    Runs that are not complete are shown, and decide nothing (4 or 5).
    """
    from analysis.alike import facts_of, refuse_unlike
    from analysis.comparison_record import overruled_by
    from analysis.gauge_study import StudyError, check_difference
    from analysis.qualify import StudiedRun, unknown_names
    from analysis.qualify import qualify as study
    from analysis.same_strokes import caution, pairs_of_same

    conditions = tuple(condition or ("run",))
    faults = unknown_names(reading, conditions)
    if difference is not None:
        try:
            check_difference(difference)
        except StudyError as error:
            faults.append(str(error))
    if reference is not None and not math.isfinite(reference):
        faults.append(f"gauge study: a reference of {reference:g}; it must be finite")
    if stability and difference is not None:
        faults.append("gauge study: --stability judges no --difference; leave one of them out")
    if reference is not None and not stability:
        faults.append("gauge study: a --reference is for the bias; add --stability")
    found = _read(runs, faults)
    studied, facts = [], []
    for path, analysis in found.items():
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
    overruled = overruled_by({analysis.recording.status for analysis in found.values()})
    if stability:
        known = math.nan if reference is None else reference
        word = show_stability(studied, reading, known, overruled)
    else:
        try:
            result = study(studied, reading=reading, conditions=conditions)
        except StudyError as error:
            if not overruled:
                raise
            raise UnfinishedRunError(
                f"{error}. Not every run is complete: strike those again",
                failed=overruled == "invalid",
            ) from error
        word = show_study(result, reading, strokes, difference, overruled)
    if overruled:
        results.print(f"{overruled.upper()}: not every run is complete, so nothing is decided")
        told.print("a run that is not complete decides nothing: strike it again")
    if code := OF_WORD[overruled or word]:
        raise typer.Exit(code)


def _read(paths: Sequence[Path], faults: list[str]) -> dict[Path, Analysis]:
    """Analyse each run; all that is wrong with runs and options is told in one go."""
    from analysis.pipeline import analyse_run
    from rig.record.run_folder import RunReader

    beside = [path for path in paths if path.name.endswith(BESIDE_A_RUN) and path.is_file()]
    if beside:
        more = f" and {len(beside) - 1} more" if beside[1:] else ""
        told.print(f"left out, no run folder: {beside[0]}{more}")
    faults = list(faults)
    by_id: dict[str, Path] = {}
    wanted = [path for path in paths if path not in beside]
    if not wanted:
        faults.append("gauge study: no run folder is given; give those that run or import has made")
    for path in wanted:
        try:
            run_id = RunReader.open(path).start.run_id
        except BadFileError as error:
            faults += error.faults
            continue
        if run_id in by_id:
            faults.append(
                f"gauge study: {by_id[run_id]} and {path} are the same run, whose readings "
                "would count twice. Give another one"
            )
        by_id[run_id] = path
    found: dict[Path, Analysis] = {}
    errors: list[BenchError] = []
    for path in wanted if not faults else ():
        try:
            found[path] = analyse_run(path)
        except BenchError as error:
            errors.append(error)
    if len(errors) == 1:
        raise errors[0]
    unfinished = [error for error in errors if isinstance(error, UnfinishedRunError)]
    if errors and len(unfinished) == len(errors):
        failed = any(error.failed for error in unfinished)
        raise UnfinishedRunError("\n".join(map(str, errors)), failed=failed)
    if faults or errors:
        raise BadFileError([*faults, *map(str, errors)])
    return found


def show_study(
    found: GaugeStudy, reading: str, strokes: int, difference: float | None, overruled: str
) -> str:
    """Print a study; give what it found, the gravest where it found several things."""
    from analysis.qualify import READINGS

    unit = READINGS[reading][2]
    _say(f"method: {found.method}, {found.count} readings")
    several = math.isfinite(found.part_sd)
    sides = {"within a session": True} if several else {}
    sides |= {"between sessions": False}
    table = Table(box=None, pad_edge=False)
    table.add_column(f"in {unit}", no_wrap=True)
    for name in ("value", "95 % interval", "degrees"):
        table.add_column(name, justify="right", no_wrap=True)
    for name, figure in found.figures.items():
        table.add_row(name, *_cells(figure))
    for where, same in sides.items():
        table.add_row(f"visible {where}", *_cells(found.visible(strokes, same_session=same)))
    results.print(table)
    _say(
        f"Standard deviations, then the least difference of two means of {strokes} strokes that "
        "shows in 9 of 10 comparisons. Intervals, for normal readings: "
        + ", ".join(dict.fromkeys(figure.method for figure in found.figures.values()))
        + ", nothing pooled; degrees of freedom."
    )
    word = ""
    if several:
        percent = found.percent_interval
        low, high = found.category_bounds
        if difference is None:
            word = found.standing
        _say(
            f"{(overruled or found.standing).upper()}: the bench makes {percent.value:.1f} % of "
            f"the spread ({percent.low:.1f} to {percent.high:.1f} %, {percent.method} interval) "
            f"and tells {found.categories} categories of specimens apart ({low:g} to {high:g})"
        )
    if difference is not None and not overruled:
        for where, same in sides.items():
            text = found.verdict(difference, strokes, same_session=same)
            _say(f"{difference:g} {unit} {where}: {text}")
        word = found.finds(difference, strokes)
    return word


def _say(text: str) -> None:
    results.print(textwrap.fill(text, 80, subsequent_indent="  "))


def _cells(figure: Figure) -> tuple[str, str, str]:
    fewest, most = (pick(figure.degrees.values()) for pick in (min, max))
    return (
        f"{figure.value:.3g}",
        f"{figure.low:.3g} to {figure.high:.3g}",
        f"{fewest}" if fewest == most else f"{fewest} to {most}",
    )


def show_stability(
    studied: list[StudiedRun], reading: str, reference: float, overruled: str
) -> str:
    """Print how each striker stood; bad if one of them was not steady."""
    from analysis.qualify import READINGS, over_a_day

    strikers = over_a_day(studied, reading=reading, reference=reference)
    for striker, found in strikers.items():
        unit = READINGS[reading][2]
        word = (overruled or found.standing).upper()
        results.print(
            f"striker {striker}: {word} over {found.count} runs; drift "
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
    return "" if all(found.standing == "steady" for found in strikers.values()) else "bad"
