"""``strikebench calibrate``: a striker's force over its pulse width, on a reference sensor."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import numpy as np
import typer
from rich.table import Table

from rig.cli.console import results, told
from rig.record.bench_fault import BenchError

if TYPE_CHECKING:
    import pandas as pd

    from analysis.force_calibration import ForceCalibration
    from rig.record.bench_file import StrikerFacts

_PROMPT = (
    "Put the reference force sensor under striker {striker}, where the pad would be, and tighten "
    "it. Keep hands away."
)


def calibrate(
    striker: Annotated[str, typer.Argument(help="Striker of the bench file, by its id.")],
    reference: Annotated[str, typer.Option(help="Serial number of the reference sensor.")],
    bench: Annotated[
        str, typer.Option(help="Bench file with a force channel, or the name of a shipped one.")
    ] = "simulated_force",
    out: Annotated[
        Path | None,
        typer.Option(help="Bench file to write: the one given, with the calibration put in."),
    ] = None,
    runs: Annotated[
        Path | None, typer.Option(help="Folder for the runs; by default one under runs/.")
    ] = None,
    run: Annotated[
        Path | None,
        typer.Option("--run", help="Ladder run of an earlier calibration: nothing is struck."),
    ] = None,
    reference_uncertainty: Annotated[
        float,
        typer.Option(min=0.0, max=100.0, help="Of the sensor, expanded (k = 2), in percent."),
    ] = 1.0,
    least_force: Annotated[float, typer.Option(min=0.01, help="Softest stroke wanted, N.")] = 0.45,
    most_force: Annotated[float, typer.Option(min=0.1, help="Hardest stroke wanted, N.")] = 60.0,
    levels: Annotated[int, typer.Option(min=12, max=100, help="Widths of the ladder.")] = 20,
    repeats: Annotated[int, typer.Option(min=3, max=1000, help="Strokes at each width.")] = 15,
    start_ohm: Annotated[
        float | None, typer.Option(min=0.01, help="Measured coil resistance before the ladder.")
    ] = None,
    end_ohm: Annotated[
        float | None, typer.Option(min=0.01, help="The same, right after its last stroke.")
    ] = None,
    seed: Annotated[int, typer.Option(min=0, help="Seed of the order of strokes.")] = 1,
    quiet: Annotated[bool, typer.Option("--quiet", help="No live line, no prompts.")] = False,
) -> None:
    """Measure a striker's peak force over its pulse width, and print its table for the bench file.

    Short runs find where the striker begins to land and where its force stops to grow; the last
    one strikes a ladder of widths between, in shuffled order. Nothing is extrapolated beyond it.
    """
    from analysis.force_calibration import calibrate_striker
    from analysis.force_strokes import force_strokes
    from analysis.load import load_run
    from rig.bench_merge import calibration_table, merged_bench
    from rig.calibration import find_striker, require_same
    from rig.record.disk import write_new
    from rig.record.loaders import find_file, load_bench
    from rig.record.toml_file import read_text

    if out is not None and out.exists():
        raise BenchError(f"{out}: exists, and no bench file is overwritten; give another name")
    if out is not None and not out.parent.is_dir():
        raise BenchError(f"{out}: there is no folder {out.parent}; make it, or give another name")
    if least_force >= most_force:
        raise BenchError(
            f"forces from {least_force:g} to {most_force:g} N asked for; the first must be smaller"
        )
    facts = load_bench(bench)
    bench_text = read_text(find_file(bench, "benches"))
    one = find_striker(facts, striker)
    earlier = run is not None
    if run is None:
        stamp = datetime.datetime.now().strftime("%Y%m%d-%H%M%S")
        folder = runs if runs is not None else Path("runs") / f"{stamp}-calibrate-{striker}"
        ladder = _Ladder(bench_text, one, folder, reference, seed, quiet)
        run = ladder.strike(least_force, most_force, levels, repeats)
    recording = load_run(run)
    if recording.status != "complete":
        raise BenchError(
            f"{run}: no calibration can be made of a run that is {recording.status}; strike it "
            "again"
        )
    if earlier:
        # what was struck, and in which room, the run knows better than the bench file of today
        facts = recording.reader.bench
        require_same(find_striker(facts, striker), one)
    found = calibrate_striker(
        force_strokes(recording),
        one,
        ambient_c=facts.ambient.temperature_c,
        reference_uncertainty_percent=reference_uncertainty,
        start_ohm=start_ohm,
        end_ohm=end_ohm,
    )
    date = datetime.datetime.fromisoformat(recording.reader.start.created_utc).date()
    record = found.record(date=date.isoformat(), reference_serial=reference)
    _tell(found)
    table = calibration_table(record)
    if out is None:
        results.print(table)
        return
    write_new(out, merged_bench(bench_text, striker, record).encode())
    told.print(f"written: {out}")


class _Ladder:
    """The runs of one calibration, each in a folder of its own."""

    def __init__(
        self,
        bench_text: str,
        striker: StrikerFacts,
        folder: Path,
        reference: str,
        seed: int,
        quiet: bool,
    ) -> None:
        self._bench_text, self._striker = bench_text, striker
        self._folder, self._reference = folder, reference
        self._seed, self._quiet = seed, quiet

    def strike(self, least_n: float, most_n: float, levels: int, repeats: int) -> Path:
        """Scout, look at the threshold, and strike the ladder; gives the ladder's run folder."""
        import pandas as pd

        from analysis.force_fit import ForceFitError
        from analysis.force_strokes import force_strokes
        from analysis.load import load_run
        from analysis.usable_widths import usable_widths
        from rig.calibration import ladder_widths_us, threshold_widths_us

        told.print("scouting: where the striker begins to land, and how far its force grows")
        strokes = self._scout(most_n)
        felt, _ = usable_widths(strokes)
        if not len(felt):
            raise ForceFitError(
                f"the sensor felt {int((strokes['contacts'] > 0).sum())} of {len(strokes)} "
                "scouting strokes, and at no width both of two. Check that it stands under striker "
                f"{self._striker.id!r}, its cable, its channel and its level"
            )
        shorter = strokes["width_us"][strokes["width_us"] < felt[0]]
        if len(shorter):
            # the second that landed: the first may have done so by a hair
            edge = threshold_widths_us(float(shorter.max()), float(felt[:2].max()))
            strokes = pd.concat([strokes, force_strokes(load_run(self._run("threshold", edge, 2)))])
        widths, _ = usable_widths(strokes[strokes["width_us"] <= felt[-1]], least_rise=0.0)
        forces = strokes.groupby("width_us")["force_n"].mean().reindex(widths).to_numpy()
        told.print(
            f"lands from {widths[0]:g} µs ({forces[0]:.2f} N); grows up to {widths[-1]:g} µs "
            f"({forces[-1]:.1f} N)"
        )
        ladder = ladder_widths_us(widths, np.maximum.accumulate(forces), levels, least_n, most_n)
        return self._run("ladder", ladder, repeats, order="shuffled")

    def _scout(self, most_n: float) -> pd.DataFrame:
        """Strike wider and wider, and end where the force is enough: a sensor has its limits."""
        import pandas as pd

        from analysis.force_strokes import force_strokes
        from analysis.load import load_run
        from rig.calibration import SCOUT_STEP, scout_widths_us

        widths = scout_widths_us(self._striker)
        found: list[pd.DataFrame] = []
        for number, first in enumerate(range(0, len(widths), SCOUT_STEP), start=1):
            run = self._run(f"scout-{number}", widths[first : first + SCOUT_STEP], 2)
            found.append(force_strokes(load_run(run)))
            if (found[-1]["force_n"] > most_n).any() or found[-1]["clipped"].any():
                break
        return pd.concat(found, ignore_index=True)

    def _run(self, name: str, widths_us: np.ndarray, repeats: int, order: str = "up") -> Path:
        from rig.calibration import ladder_files
        from rig.cli.run import strike_files

        files = ladder_files(
            self._bench_text,
            self._striker,
            widths_us.tolist(),
            name=f"calibration of {self._striker.id}, {name}",
            repeats=repeats,
            order=order,
            seed=self._seed,
            prompt=_PROMPT.format(striker=self._striker.id) if name == "scout-1" else "",
            reference_serial=self._reference,
        )
        self._folder.mkdir(parents=True, exist_ok=True)
        return strike_files(files, self._folder / name, quiet=self._quiet, unattended=self._quiet)


def _tell(found: ForceCalibration) -> None:
    table = Table(box=None, pad_edge=False)
    for heading in (
        "width, µs",
        "force, N",
        "one stroke",
        "u, %",
        "impulse, mN s",
        "contact, ms",
        "flight, ms",
    ):
        table.add_column(heading, justify="right")
    for row in found.levels.to_dict("records"):
        table.add_row(
            f"{row['width_us']:g}",
            f"{row['force_n']:.3g}",
            f"± {100.0 * (row['high_n'] / row['low_n']) ** 0.5 - 100.0:.1f} %",
            f"{row['u_percent']:.2f}",
            f"{1e3 * row['impulse_n_s']:.3g}",
            f"{row['duration_ms']:.2f}",
            f"{row['flight_ms']:.2f}",
        )
    results.print(table)
    lack = found.fit.lack_of_fit
    results.print(
        f"{found.fit.strokes} strokes; polynomial of degree {found.fit.degree}; one scatters by "
        f"{100 * found.fit.residual_sd:.2f} %; lack of fit F({lack.freedom}, "
        f"{lack.pure_freedom}) = {lack.ratio:.2f}, p = {lack.p:.2g}",
    )
    parts = ", ".join(f"{name} {part:.2f} %" for name, part in found.parts_percent.items())
    results.print(
        f"uncertainty of a force: {found.uncertainty_percent:.2f} % (k = 2; standard parts: "
        f"{parts})",
    )
    warmest = found.strokes["coil_c"].max()
    if np.isfinite(warmest) and found.heat_capacity_j_per_k is not None:
        results.print(
            f"coil: up to {warmest:.1f} °C, forces given for {found.reference_c:.1f} °C; heat "
            f"capacity {found.heat_capacity_j_per_k:.3g} J/K",
        )
    for remark in found.remarks:
        told.print(f"note: {remark}")
