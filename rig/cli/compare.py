"""``strikebench compare``: is the new build better, equal or worse."""

from __future__ import annotations

import json
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.table import Table

from rig.cli.allow import Allow
from rig.cli.console import results, told
from rig.cli.exit_code import ExitCode
from rig.record.bench_fault import BenchError

if TYPE_CHECKING:
    from analysis.alike import RunFacts
    from analysis.comparison_record import Named
    from analysis.pipeline import Analysis

OF_COMPARISON: dict[str, ExitCode] = {
    "better": ExitCode.DONE,
    "equal": ExitCode.DONE,
    "worse": ExitCode.FAIL,
    "undecided": ExitCode.UNDECIDED,
    "invalid": ExitCode.INVALID,
    "incomplete": ExitCode.INCOMPLETE,
}


def compare(
    base: Annotated[Path, typer.Argument(help="Run folder of the build before.")],
    new: Annotated[
        list[Path],
        typer.Argument(help="Run folders of the build after; those of one build are pooled."),
    ],
    base_too: Annotated[
        list[Path] | None,
        typer.Option(
            "--base-too", metavar="RUN", help="A further run of the build before. May be repeated."
        ),
    ] = None,
    margin: Annotated[
        list[str] | None,
        typer.Option(
            metavar="MEASURE=NUMBER",
            help="Smallest difference that matters, instead of the protocol's: "
            "latency_median=0.3. May be repeated.",
        ),
    ] = None,
    measure: Annotated[
        list[str] | None,
        typer.Option(metavar="MEASURE", help="Compare this measure only. May be repeated."),
    ] = None,
    allow: Allow = None,
    confidence: Annotated[float, typer.Option(min=0.5, max=0.9999)] = 0.95,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER",
            help="Where comparison.json and comparison.html go; by default the analysis folder of "
            "the first new run.",
        ),
    ] = None,
) -> None:
    """Compare runs of one protocol on one bench, measure by measure and over all."""
    from analysis.alike import changed, pool, zone_pair, zones_left_out
    from analysis.asked import ALWAYS
    from analysis.change import usable
    from analysis.compare import compare as judge
    from analysis.compare import refuse_senseless
    from analysis.comparison_record import (
        Named,
        as_json,
        as_page,
        compared_run,
        overall,
        overruled_by,
    )
    from analysis.crosstalk import with_crosstalk
    from analysis.latency_change import change_note
    from analysis.same_strokes import caution, pairs_of_same

    olds, news = [base, *(base_too or [])], list(new)
    given, unread = _margins(margin or [])
    asked = tuple(measure) if measure else ALWAYS
    refuse_senseless(asked, given, unread, allow or ())
    runs = _read([*olds, *news])
    allowed = tuple(allow or ())
    tables = {path: with_crosstalk(runs[path][0]) for path in runs}
    before = pool([tables[path] for path in olds], [runs[path][1] for path in olds], allowed)
    facts = runs[base][1]
    margins = {one.measure: one.value for one in runs[base][0].protocol.margins} | given
    builds: list[list[Path]] = []
    for path in news:
        like = [b for b in builds if not changed(runs[b[0]][1], runs[path][1])]
        if like:
            like[0].append(path)
        else:
            builds.append([path])
    same = pairs_of_same({str(path): tables[path] for path in (*olds, *news)})
    for side in (olds, *builds):
        _refuse_pooled_twins([pair for pair in same if set(pair) <= set(map(str, side))])
    reader = runs[base][0].recording.reader
    zones = zones_left_out(reader.bench, reader.specimen)
    cautions = [text for text in (caution(same), zones) if text]
    named = []
    for build in builds:
        after = pool([tables[path] for path in build], [runs[path][1] for path in build], allowed)
        found = judge(
            before,
            after,
            facts=(facts, runs[build[0]][1]),
            figures=(
                [runs[path][0].measures for path in olds],
                [runs[path][0].measures for path in build],
            ),
            allow=allowed,
            margins=margins,
            measures=measure or None,
            confidence=confidence,
            among=len(builds),
        )
        note = change_note(
            usable(before),
            usable(after),
            (1.0 - confidence) / len(builds),
            {m.verdict for m in found.measures if m.name.startswith("latency")},
        )
        if note:
            cautions.append(f"{', '.join(map(str, build))}: {note}")
        statuses = {runs[path][0].recording.status for path in (*olds, *build)}
        one = Named(
            after=tuple(map(str, build)),
            comparison=found,
            overruled=overruled_by(statuses),
            zones=zone_pair(reader.bench, reader.specimen),
        )
        named.append(one)
        _show(one)
    word = overall(named)
    results.print(f"{word.upper()} at {100 * confidence:g} % confidence")
    for text in cautions:
        told.print(f"caution: {text}")
    folder = out if out is not None else news[0] / "analysis"
    folder.mkdir(parents=True, exist_ok=True)
    lines = [
        compared_run("before" if path in olds else "after", str(path), runs[path][0])
        for path in (*olds, *news)
    ]
    record = json.dumps(as_json(lines, named, cautions), indent=1, allow_nan=False)
    (folder / "comparison.json").write_text(record + "\n", encoding="utf-8")
    page = as_page(lines, named, cautions)
    (folder / "comparison.html").write_text(page, encoding="utf-8")
    told.print(f"written: {folder / 'comparison.html'}, comparison.json")
    if word in ("invalid", "incomplete"):
        told.print("a run that is not complete decides nothing: strike it again")
    raise typer.Exit(OF_COMPARISON[word])


def _read(paths: list[Path]) -> dict[Path, tuple[Analysis, RunFacts]]:
    """Analyse each run; a run given twice is refused."""
    from analysis.alike import facts_of
    from analysis.pipeline import analyse_run

    found: dict[Path, tuple[Analysis, RunFacts]] = {}
    by_id: dict[str, Path] = {}
    for path in paths:
        analysis = analyse_run(path)
        twin = by_id.setdefault(analysis.start.run_id, path)
        if path in found or twin != path:
            raise BenchError(
                f"comparison: {twin} and {path} are the same run; a run compared or pooled with "
                "itself shows nothing. Give another one"
            )
        if analysis.recording.status != "complete":
            told.print(f"{path}: {analysis.reason()}")
        reader = analysis.recording.reader
        found[path] = (
            analysis,
            facts_of(str(path), reader.bench, reader.protocol, reader.specimen),
        )
    return found


def _refuse_pooled_twins(pairs: list[tuple[str, str]]) -> None:
    """Refuse to pool runs of the same strokes: each would count twice."""
    from analysis.same_strokes import caution

    if pairs:
        raise BenchError(
            "comparison: these runs would be pooled, and every stroke of theirs counted twice: "
            + caution(pairs)
        )


def _show(one: Named) -> None:
    """Print one comparison; it fits on 80 columns."""
    from analysis.comparison_record import force_row_of, row_of

    found = one.comparison
    results.print(f"{', '.join(one.after)}: {one.verdict}")
    for change in found.changed:
        results.print(f"  changed: {change}")
    for difference in found.unlike:
        results.print(f"  allowed although {difference}")
    for text in one.said_of_measures():
        for line in textwrap.wrap(text, 76, break_long_words=False):
            results.print(f"  {line}")
    table = Table(box=None, pad_edge=False)
    keys = ("measure", "before", "after", "difference", "margin", "verdict")
    for key in keys:
        right = key in ("before", "after", "difference", "margin")
        table.add_column(key, justify="right" if right else "left", no_wrap=True)
    rows = [row_of(one) for one in found.measures]
    for row in rows:
        table.add_row(*(row[key] for key in keys))
    results.print(table)
    for measure in found.measures:
        at = force_row_of(measure)
        if at and at["verdict"] == measure.verdict != "equal":
            results.print(
                f"{at['measure']}: {at['verdict']} at {at['force']}, {at['before']} -> "
                f"{at['after']}, {at['difference']}",
            )
    for row in rows:
        if row["needed"]:
            results.print(f"{row['measure']}: {row['needed']} on each side would decide")


def _margins(texts: list[str]) -> tuple[dict[str, float], list[str]]:
    """Read margins; what can't be read as one sentence each."""
    found: dict[str, float] = {}
    faults: list[str] = []
    for text in texts:
        name, _, number = text.partition("=")
        try:
            found[name.strip()] = float(number)
        except ValueError:
            faults.append(
                f"a margin of {text!r} was asked for; it is written as measure=number, such as "
                "latency_median=0.3"
            )
    return found, faults
