"""``strikebench advise``: settings for a module on a pad, and why its notes went wrong."""

from __future__ import annotations

import math
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.table import Table

from rig.cli.console import results, told

if TYPE_CHECKING:
    from analysis.evidence import Evidence

PAGE = "advice.html"


def advise(
    run: Annotated[
        Path, typer.Argument(metavar="RUN", help="Run folder, with single strokes over all forces.")
    ],
    elsewhere: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="RUN",
            help="Run on the same pad, struck at another place; give it once for each place.",
        ),
    ] = None,
    false_per_h: Annotated[
        float, typer.Option(metavar="RATE", help="How often noise may trigger, per hour.", min=1e-6)
    ] = 1.0,
    least_gain_db: Annotated[
        float, typer.Option(metavar="DB", help="Least gain that can be set.")
    ] = -12.0,
    most_gain_db: Annotated[
        float, typer.Option(metavar="DB", help="Greatest gain that can be set.")
    ] = 24.0,
    front: Annotated[
        bool, typer.Option("--front", help="Print the trade-offs between settings too.")
    ] = False,
) -> None:
    """Advise detector settings, each with its reason; tell why notes went wrong; write a page."""
    from analysis.evidence import gather
    from analysis.pipeline import analyse_run
    from analysis.report.advice_page import write_advice_page
    from analysis.result_files import write_tables

    _refuse_senseless(least_gain_db, most_gain_db, false_per_h)
    analysis = analyse_run(run)
    found = gather(
        analysis,
        false_per_h=false_per_h,
        gain_range_db=(least_gain_db, most_gain_db),
        elsewhere=[analyse_run(path) for path in elsewhere or []],
    )
    if analysis.recording.status != "complete":
        told.print(f"note: {analysis.reason()} The advice rests on that.")
    _print_settings(found)
    if front:
        _print_front(found)
    _print_causes(found)
    _print_recovery(found)
    _print_sensor(found)
    path = write_tables(analysis, found.explained) / PAGE
    part = path.with_name(path.name + ".part")
    part.write_text(write_advice_page(found), encoding="utf-8")
    part.replace(path)
    told.print(f"written: {path}")


def _refuse_senseless(least_gain_db: float, most_gain_db: float, false_per_h: float) -> None:
    """Refuse options that are no numbers, or no range; all of them in one go."""
    from rig.record.bench_fault import BenchError

    given = {
        "--least-gain-db": least_gain_db,
        "--most-gain-db": most_gain_db,
        "--false-per-h": false_per_h,
    }
    bad = [
        f"{name} is {value:g}; a finite number is wanted"
        for name, value in given.items()
        if not math.isfinite(value)
    ]
    if least_gain_db > most_gain_db:
        bad.append(
            f"the least gain, {least_gain_db:g} dB, is above the greatest, {most_gain_db:g} dB; "
            "give what the module can be set to"
        )
    if bad:
        raise BenchError("advise: " + "; ".join(bad))


def _line(text: str, indent: int = 0) -> None:
    """Print a line, broken at words and indented below its first one."""
    if results.is_terminal:
        text = textwrap.fill(
            text, results.width, subsequent_indent=" " * indent, break_long_words=False
        )
    results.print(text)


def _table(headings: list[str], rows: list[list[str]], left: tuple[int, ...] = (0,)) -> None:
    table = Table(box=None, pad_edge=False)
    for place, heading in enumerate(headings):
        table.add_column(
            heading,
            justify="left" if place in left else "right",
            no_wrap=heading != "why",
        )
    for row in rows:
        table.add_row(*row)
    results.print(table)


def _print_settings(found: Evidence) -> None:
    from analysis.report import advice_words as words

    advice = found.advice
    if advice is None:
        _line(f"no {found.no_advice}")
        return
    zones = words.zones(found.analysis.specimen)
    if zones:
        _line(f"note: {zones}", 6)
    _table(
        ["setting", "advised", "today", "why"],
        [
            [
                words.split_unit(one.setting)[0],
                words.setting(one.setting, one.value),
                words.setting(one.setting, one.today),
                one.reason,
            ]
            for one in advice.advice
        ],
        left=(0, 3),
    )
    for one in advice.advice:
        results.print(f"\n{words.split_unit(one.setting)[0]}")
        _line(f"  from   {words.evidence(one.evidence)}", 9)
        _line(f"  less   {one.below}", 9)
        _line(f"  more   {one.above}", 9)
    results.print()
    _line(words.predicted(advice))
    for caution in advice.cautions:
        _line(f"note: {caution}", 6)


def _print_front(found: Evidence) -> None:
    from analysis.front import SOFTER_DB
    from analysis.report import advice_words as words
    from analysis.report.advice_page import mark, shown

    if found.advice is None:
        return
    front = found.advice.front

    results.print("\npeak window: latency against spread of the level")
    _table(
        ["", "window, ms", "onset to its end, ms", "spread, dB"],
        [
            [mark(r), f"{r['peak_window_ms']:g}", f"{r['latency_ms']:.2f}", f"{r['spread_db']:.2f}"]
            for r in words.records(shown(front.windows))
        ],
    )
    results.print(
        "\ndead time and release: doubles against the gap of a second stroke, by the model"
    )
    _table(
        ["", "dead, ms", "release, ms", "double, %", "gap alike, ms", f"{SOFTER_DB:g} dB softer"],
        [
            [
                mark(r),
                f"{r['dead_time_ms']:g}",
                f"{r['release_ms']:.1f}",
                f"{100 * r['doubled_share']:.0f}",
                f"{r['gap_alike_ms']:.1f}",
                f"{r['gap_softer_ms']:.1f}",
            ]
            for r in words.records(shown(front.recoveries))
        ],
    )


def _print_causes(found: Evidence) -> None:
    from analysis.report.advice_page import nothing_wrong
    from analysis.report.causes_part import cause_rows

    results.print("\nwhat went wrong in this run:")
    rows = cause_rows(found.explained, found.analysis.specimen.module.settings)
    if not rows:
        _line(f"  {nothing_wrong(found)}", 2)
    for row in rows:
        _line(f"{row['count']:>6} {row['kind']}: {row['cause']}; avoided by {row['mend']}", 7)


def _print_recovery(found: Evidence) -> None:
    from analysis.report.recovery_part import recovery_part

    settings = found.analysis.specimen.module.settings
    part = recovery_part(found.recovery, found.analysis.table.strokes, settings)
    if not part["contours"]:
        return
    results.print("\nsecond strokes are caught from (estimate of this build, ms):")
    _table(
        ["second stroke, dB", "half", "95 %", "model of today's settings"],
        [[row["level"], row["half"], row["most"], row["model"]] for row in part["contours"]],
        left=(),
    )
    if part["late_seconds"]:
        _line(f"note: {part['late_seconds']}", 6)


def _print_sensor(found: Evidence) -> None:
    from analysis.report import advice_words as words
    from analysis.report.advice_page import interval, sensor_tables

    results.print("\nthe sensor:")
    _table(
        ["figure", "value", "95 % interval"],
        [
            [
                fact.what,
                f"{words.number(fact.value)} {fact.unit}",
                interval(fact.low, fact.high),
            ]
            for fact in found.facts
        ],
    )
    for table in sensor_tables(found):
        results.print(f"\n{table['heading'].lower()}:")
        _table(
            [name[:1].lower() + name[1:] for name in table["columns"]],
            [[str(cell) for cell in row] for row in table["rows"]],
            left=(),
        )
