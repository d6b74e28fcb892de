"""Runs on a bench whose calibration is missing, old, or of a colder coil: what they say of forces."""

import json
import re

import numpy as np
import pytest

from analysis.pipeline import analyse_run
from analysis.report.page import write_page
from rig.bench_merge import merged_bench
from rig.calibration import ladder_files
from rig.cli.check import check
from rig.cli.run import strike
from rig.preparation import prepare
from rig.record.bench_file import Calibration
from rig.record.dry_run import dry_run
from rig.record.force_width import ForceWidth
from rig.record.loaders import find_file, load_bench, parse_bench, parse_protocol
from rig.record.toml_file import read_text
from rig.run_files import RunFiles
from rig.runner import run

BENCH = "simulated_force"


def simulated_run(path, protocol_text, bench_text):
    """Strike a protocol over the simulated pad; gives the run folder."""
    specimen_text = read_text(find_file("good_build", "specimens"))
    files = RunFiles.from_texts(protocol_text, bench_text, specimen_text)
    run(prepare(files), path)
    return path


def ladder_run(path, bench_text, widths_us):
    """Strike a few widths on a bench."""
    bench = parse_bench(bench_text, "bench")
    files = ladder_files(
        bench_text, bench.strikers[0], widths_us, name="few", repeats=2, order="up"
    )
    run(prepare(files), path)
    return path


OVER_DRIVE = """format = 1
name = "over drive"
purpose = "a ladder of pulse widths"
[[stage]]
name = "ladder"
pattern = "single"
widths_us = [2100, 2400, 2800, 3300, 3900]
repeats = 6
interval_ms = 200
[[limit]]
measure = "velocity_dead_zone"
at_most_n = 100
"""


def test_run_without_calibration_is_over_drive(tmp_path):
    """Strokes carry widths and no forces, velocities are given over widths, and it is said.

    A limit on a force can't pass, however wide it is.
    """
    text = read_text(find_file(BENCH, "benches"))
    analysis = analyse_run(simulated_run(tmp_path / "run", OVER_DRIVE, text))
    assert any("over drive" in doubt for doubt in analysis.doubts)
    strokes = analysis.table.strokes
    assert strokes["force_n"].isna().all()
    # flights aren't known either, and from 4.9 to 12.5 ms: each stroke is still found to be its own
    assert strokes["width_us"].tolist() == [2100.0, 2400.0, 2800.0, 3300.0, 3900.0] * 6
    assert (strokes["outcome"] == "clean").all()
    velocity = {m.name: m for m in analysis.measures if m.name.startswith("velocity_")}
    assert all(m.details["over"] == "width_us" for m in velocity.values())
    assert all("pulse width" in m.note for m in velocity.values())
    assert np.isfinite(velocity["velocity_monotony"].value)
    for name in ("velocity_dead_zone", "velocity_saturation"):
        assert np.isnan([velocity[name].value, velocity[name].low, velocity[name].high]).all()
    assert [decision.verdict for decision in analysis.decisions] == ["undecided"]
    page = write_page(analysis)
    assert "over drive (pulse width), not over force" in page
    assert "forces are not known" in page


def test_forces_are_refused_without_calibration():
    """A protocol in newtons can't be struck on a bench that doesn't know them."""
    refusals = dry_run(parse_protocol(BY_FORCE, "protocol"), load_bench(BENCH)).refusals
    assert len(refusals) == 1
    assert "is not calibrated" in refusals[0]


@pytest.mark.parametrize(
    ("bench", "word"), [("simulated", ""), (BENCH, "over drive"), ("old", "days old")]
)
def test_check_and_run_tell_it_beforehand(bench, word, tmp_path, capsys):
    """Missing and old calibrations are named before anything moves; the shipped bench has none."""
    if bench == "old":
        text = read_text(find_file("simulated", "benches"))
        bench = tmp_path / "old.toml"
        bench.write_text(text.replace("calibration_valid_days = 36_500", ""))
    protocol = tmp_path / "protocol.toml"
    protocol.write_text(OVER_DRIVE)
    check(str(protocol), bench=str(bench))
    before = capsys.readouterr().err
    strike(str(protocol), str(bench), "good_build", tmp_path / "run", quiet=True)
    for told in (before, capsys.readouterr().err):
        assert ("note:" in told) == bool(word)
        assert word in " ".join(told.split())


def test_run_with_an_old_calibration_says_so(tmp_path):
    """The age counts on the day of the run, as its record has it."""
    text = read_text(find_file(BENCH, "benches"))
    record = Calibration(
        date="2020-01-01", reference_serial="F", widths_us=(2000.0, 4000.0), forces_n=(2.0, 40.0)
    )
    old = merged_bench(text, "A", record)
    analysis = analyse_run(ladder_run(tmp_path / "run", old, [2600.0]))
    assert any("days old" in doubt for doubt in analysis.doubts)


WARM = """format = 1
name = "warm"
purpose = "a ladder in a warm room"
[[stage]]
name = "ladder"
pattern = "single"
widths_us = {widths_us}
repeats = 3
"""
BY_FORCE = WARM.replace("widths_us = {widths_us}", "forces_n = [3, 6, 12, 24, 48]")


@pytest.mark.parametrize("room_c", [21.0, 35.0])
def test_coil_warmer_than_calibrated_is_told(tmp_path, room_c):
    """By how much the forces are off is told as it truly is; in the calibration's room nothing is.

    The truth of the run has the force of every stroke; strokes have no spread here. Widths are asked
    for: pulses of a force would be made to fit.
    """
    text = read_text(find_file("simulated", "benches")).replace("seed=1", "seed=1&spread=0")
    text = text.replace("\ntemperature_c = 21.0", f"\ntemperature_c = {room_c}")
    forces = [3.0, 6.0, 12.0, 24.0, 48.0]
    widths = ForceWidth(load_bench("simulated").strikers[0]).width_us(forces).tolist()
    simulated_run(tmp_path / "run", WARM.format(widths_us=widths), text)
    told = [doubt for doubt in analyse_run(tmp_path / "run").doubts if "coil of striker" in doubt]
    if room_c == 21.0:
        assert told == []
        return
    truth = json.loads((tmp_path / "run.truth.json").read_text(encoding="utf-8"))["contacts"]
    asked = np.tile(forces, 3)
    off = np.array([contact["force_n"] for contact in truth]) / asked - 1.0
    (sentence,) = told
    assert "was at 35 to 35 °C, its calibration is of 21 °C" in sentence
    found = re.search(
        r"lower than stated, by ([0-9.]+) % at the median .* up to ([0-9.]+) %", sentence
    )
    median, worst = (float(figure) for figure in found.groups())
    assert median == pytest.approx(-100.0 * np.median(off), rel=0.2, abs=0.5)
    assert worst == pytest.approx(-100.0 * off.min(), rel=0.2, abs=0.5)
