"""``strikebench check``: what a protocol would do on a bench, before anything moves."""

from __future__ import annotations

import datetime
import math
from typing import Annotated

import typer
from rich.table import Table

from rig.cli.console import results, told
from rig.cli.exit_code import ExitCode
from rig.record.calibration_age import calibration_doubts
from rig.record.dry_run import DryRun, dry_run
from rig.record.ladder_steps import wide_steps
from rig.record.loaders import load_bench, load_protocol
from rig.record.measure_names import MEASURED_ON
from rig.record.protocol import Protocol


def check(
    protocol: Annotated[str, typer.Argument(help="Protocol file, or the name of a shipped one.")],
    bench: Annotated[
        str, typer.Option(help="Bench file, or the name of a shipped one.")
    ] = "simulated",
    seed: Annotated[
        int | None,
        typer.Option(min=0, help="Seed of shuffled orders; the protocol's own if not given."),
    ] = None,
) -> None:
    """Tell how long a protocol takes, how often it strikes, and what the strikers can't do."""
    facts = load_bench(bench)
    asked = load_protocol(protocol)
    found = dry_run(asked, facts, seed=seed)
    results.print(stage_table(found))
    unplanned = len(set(found.stages["stage"]) - set(found.plan.bursts["stage"]))
    left_out = f"; {unplanned} of the stages can't be planned yet" if unplanned else ""
    results.print(f"{found.strokes} strokes in {_clock(found.duration_s)}{left_out}")
    today = datetime.datetime.now(datetime.UTC).date()
    for doubt in calibration_doubts(facts, today, set(found.plan.strikes["striker"])):
        told.print(f"note: {doubt}")
    if facts.host_alone:
        from analysis.host_path import host_path  # late: it loads what checking needs nothing of

        told.print(f"note: {host_path(facts.midi).remark}")
    for note in limits_without_strokes(asked):
        told.print(f"note: {note}")
    for wide in wide_steps(asked):
        told.print(f"note: {wide}")
    for refusal in found.refusals:
        told.print(f"refused: {refusal}")
    if not found.allowed:
        raise typer.Exit(ExitCode.BAD_INPUT)


def limits_without_strokes(protocol: Protocol) -> list[str]:
    """Give a sentence for each limit on a measure that the strokes of its stage can't give."""
    patterns = {stage.name: str(stage.__struct_config__.tag) for stage in protocol.stages}
    told_of = []
    for place, limit in enumerate(protocol.limits, start=1):
        start = next((one for one in MEASURED_ON if limit.measure.startswith(one)), "")
        there = {patterns[limit.stage]} if limit.stage else {*patterns.values()}
        if start and there.isdisjoint({MEASURED_ON[start], "given"}):
            told_of.append(
                f"limit {place}: {limit.measure} takes strokes of pattern {MEASURED_ON[start]}, "
                f"and {f'stage {limit.stage!r}' if limit.stage else 'the protocol'} has none: it "
                "would stay undecided"
            )
    return told_of


def stage_table(found: DryRun) -> Table:
    """One row a stage: strokes, time, forces, shortest gap and heat."""
    table = Table(box=None, pad_edge=False)
    table.add_column("stage")
    table.add_column("pattern")
    for heading in ("strokes", "time", "force, N", "shortest gap, ms", "heat, % of budget"):
        table.add_column(heading, justify="right")
    for row in found.stages.to_dict("records"):
        least, most = row["least_force_n"], row["most_force_n"]
        span = _figure(least) if least == most else f"{_figure(least)} to {_figure(most)}"
        table.add_row(
            str(row["stage"]),
            str(row["pattern"]),
            str(row["strokes"]),
            _clock(row["duration_s"]),
            span if math.isfinite(least) else "–",
            _figure(row["shortest_gap_ms"]),
            _figure(row["heat_percent"]),
        )
    return table


def _figure(value: float) -> str:
    return f"{value:.3g}" if math.isfinite(value) else "–"


def _clock(duration_s: float) -> str:
    minutes, seconds = divmod(round(duration_s), 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours} h {minutes:02d} min"
    return f"{minutes} min {seconds:02d} s" if minutes else f"{seconds} s"
