"""A calibration run as a protocol: a ladder of pulse widths."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from rig.record.bench_fault import BadFileError, BenchError
from rig.record.bench_file import BenchFile, StrikerFacts
from rig.record.toml_file import quoted
from rig.run_files import RunFiles

SCOUT_STEP = 4
"""Widths of one scouting run: after each it is seen whether harder strokes are wanted at all."""
INTERVAL_MS = 600.0
"""From stroke to stroke: a pad or sensor under a single stroke is silent by then."""
SCOUT_LEVELS = 28
THRESHOLD_LEVELS = 24
SCOUT_SHARE = 0.12
"""Shortest width that is tried, as a share of the longest pulse."""

_SPECIMEN = """\
format = 1

[pad]
name = "reference force sensor"
serial = {serial}
mounting = "in place of the pad"

[module]
name = "none"
firmware = "none"
"""


class CalibrationError(BenchError):
    """A striker can't be calibrated on this bench, or the result not be written."""


def find_striker(bench: BenchFile, striker_id: str) -> StrikerFacts:
    """Facts of a striker of a bench that can be calibrated.

    Raises
    ------
    BadFileError
        The striker isn't there, or no force channel with a scale: all in one go.
    """
    faults = []
    found = [one for one in bench.strikers if one.id == striker_id]
    if not found:
        names = ", ".join(one.id for one in bench.strikers) or "none"
        faults.append(f"striker {striker_id!r} is not on this bench, which has {names}")
    force = [channel for channel in bench.audio.channels if channel.role == "force"]
    if not force:
        faults.append(
            'no audio channel has the role "force": plug the reference force sensor into a free '
            "input and name it in the bench file, with newtons_per_full_scale"
        )
    elif force[0].newtons_per_full_scale is None:
        faults.append(
            f"the force channel (number {force[0].number}) has no newtons_per_full_scale: without "
            "it the sensor's signal is no force"
        )
    if faults:
        raise BadFileError(faults)
    return found[0]


def require_same(measured: StrikerFacts, given: StrikerFacts) -> None:
    """See that a bench file's striker is the one that an earlier run was struck with.

    Raises
    ------
    BadFileError
        With all facts that differ and bear on the force.
    """
    facts = ("serial", "supply_v", "coil_resistance_ohm", "coil_inductance_mh")
    differing = [name for name in facts if getattr(measured, name) != getattr(given, name)]
    if differing:
        raise BadFileError(
            [
                f"striker {given.id!r} of the bench file isn't the one of the run: {name} is "
                f"{getattr(given, name)!r}, in the run it was {getattr(measured, name)!r}"
                for name in differing
            ]
        )


def scout_widths_us(striker: StrikerFacts) -> npt.NDArray[np.float64]:
    """Widths to find out where a striker begins to land, and where its force stops to grow."""
    longest = striker.longest_pulse_us
    return _whole(np.geomspace(SCOUT_SHARE * longest, longest, SCOUT_LEVELS))


def threshold_widths_us(silent_us: float, felt_us: float) -> npt.NDArray[np.float64]:
    """Widths between the longest that didn't land and one that surely did, for a closer look."""
    between = _whole(np.linspace(silent_us, felt_us, THRESHOLD_LEVELS + 2)[1:-1])
    return between[between > silent_us]


def ladder_widths_us(
    widths_us: npt.ArrayLike, forces_n: npt.ArrayLike, count: int, least_n: float, most_n: float
) -> npt.NDArray[np.float64]:
    """Widths whose forces are about evenly spaced in their logarithm.

    Parameters
    ----------
    widths_us, forces_n
        (n,) what scouting found: widths, and the mean force of each, both rising.
    count
        How many; fewer are given where two would be the same tick.
    least_n, most_n
        Forces between which they lie, as far as scouting went.

    Raises
    ------
    CalibrationError
        Scouting found no force of that range.
    """
    logs = np.log(np.asarray(forces_n, dtype=np.float64))
    low, high = max(float(np.log(least_n)), logs[0]), min(float(np.log(most_n)), logs[-1])
    if not low < high:
        raise CalibrationError(
            f"forces from {least_n:g} to {most_n:g} N are asked for; the striker gives "
            f"{np.exp(logs[0]):.3g} to {np.exp(logs[-1]):.3g} N"
        )
    return _whole(np.interp(np.linspace(low, high, count), logs, np.asarray(widths_us)))


def _whole(widths_us: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Whole ticks of 0.5 µs, each once."""
    return np.unique(np.floor(widths_us * 2.0) / 2.0)


def ladder_files(
    bench_text: str,
    striker: StrikerFacts,
    widths_us: Sequence[float],
    *,
    name: str,
    repeats: int,
    order: str = "shuffled",
    seed: int = 1,
    prompt: str = "",
    reference_serial: str = "",
) -> RunFiles:
    """Give the three files of a run of single strokes over a ladder of widths.

    In shuffled order, which is the measuring one, neither warming nor wear can pass for an effect
    of the width.

    Parameters
    ----------
    bench_text
        The bench file as it was read.
    striker, widths_us, repeats, order, seed
        Who strikes what, how often, and in which order.
    name, prompt
        Of the run, and what the person is asked to do before it.
    reference_serial
        Of the force sensor.
    """
    protocol_text = "\n".join(
        [
            "format = 1",
            f"name = {quoted(name)}",
            f"purpose = {quoted(f'Peak force of striker {striker.id} over its pulse width')}",
            f"seed = {seed}",
            "",
            "[[stage]]",
            'name = "ladder"',
            'pattern = "single"',
            *([f"prompt = {quoted(prompt)}"] if prompt else []),
            f"strikers = [{quoted(striker.id)}]",
            f"widths_us = [{', '.join(f'{width:g}' for width in widths_us)}]",
            f"order = {quoted(order)}",
            f"repeats = {repeats}",
            f"interval_ms = {max(INTERVAL_MS, 2.0 * striker.least_gap_ms):g}",
            "",
        ]
    )
    specimen_text = _SPECIMEN.format(serial=quoted(reference_serial))
    return RunFiles.from_texts(protocol_text, bench_text, specimen_text)
