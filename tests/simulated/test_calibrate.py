"""Calibration on the simulated bench: what it finds is held against the strikers themselves."""

import json
import re

import msgspec
import numpy as np
import pandas as pd
import pytest
import typer

from analysis.force_calibration import calibrate_striker, usable_widths
from analysis.force_fit import ForceFitError
from analysis.force_strokes import force_strokes
from analysis.load import load_run
from analysis.pipeline import analyse_run
from analysis.report.page import write_page
from rig.calibration import find_striker, ladder_files, merged_bench
from rig.cli.calibrate import calibrate
from rig.cli.check import check
from rig.cli.run import strike
from rig.preparation import prepare
from rig.record.bench_fault import BadFileError, BenchError
from rig.record.bench_file import Calibration
from rig.record.coil_warmth import coil_temperatures_c, copper_ohm, equal_width_us
from rig.record.dry_run import dry_run
from rig.record.force_width import ForceWidth
from rig.record.loaders import (
    find_file,
    load_bench,
    parse_bench,
    parse_protocol,
)
from rig.record.toml_file import read_text
from rig.run_files import RunFiles
from rig.runner import run
from rig.simulation.contact import HERTZ_IMPULSE
from rig.simulation.presets import PADS, STRIKERS
from rig.simulation.striker import Striker

PAD = PADS["loam-mesh"]
BENCH = "simulated_force"


def struck(striker_id, width_us, ambient_c=21.0):
    """True force in N and flight in ms of a stroke without spread, on a coil at a temperature."""
    striker = Striker(
        STRIKERS[striker_id],
        pad_modulus_pa=PAD.modulus_pa,
        restitution=PAD.restitution,
        ambient_c=ambient_c,
    )
    contact = striker.strike(0.0, width_us * 1e-6)[0]
    return contact.force_n, 1e3 * contact.contact_s


def check_table(striker, count=120):
    """A calibrated striker gives the true force within its uncertainty, and the true flight."""
    table = striker.calibration
    curve = ForceWidth(striker)
    widths = np.linspace(table.widths_us[0], table.widths_us[-1], count)
    forces, flights = np.array([struck(striker.id, width) for width in widths]).T
    away = np.abs(curve.force_n(widths) / forces - 1.0)
    # k = 2 is no bound: one width in twenty may lie beyond it, none far
    assert (away < table.uncertainty_percent / 100.0).mean() > 0.94
    assert away.max() < 2.0 * table.uncertainty_percent / 100.0
    np.testing.assert_allclose(curve.flight_ms(widths), flights, atol=0.08)


@pytest.mark.parametrize("place", [0, 1])
def test_shipped_table_is_that_of_the_simulated_striker(place):
    """Forces, flights and facts of the shipped bench are the simulated strikers' own."""
    striker = load_bench("simulated").strikers[place]
    figures = STRIKERS[striker.id]
    assert striker.coil_resistance_ohm == figures.resistance_ohm
    assert striker.coil_inductance_mh == pytest.approx(1e3 * figures.inductance_h)
    assert striker.supply_v == figures.supply_v
    assert striker.thermal_time_constant_s == figures.thermal_time_constant_s
    assert striker.heat_capacity_j_per_k == figures.heat_capacity_j_per_k
    assert striker.calibration.forces_n[0] <= 0.5
    assert striker.calibration.forces_n[-1] >= 60.0
    check_table(striker)
    bare = load_bench(BENCH).strikers[place]
    assert bare == msgspec.structs.replace(striker, calibration=None)


@pytest.mark.parametrize("striker_id", ["A", "B"])
@pytest.mark.parametrize("warm_c", [26.0, 41.0])
def test_warmth_of_a_coil_is_taken_out(striker_id, warm_c):
    """A width carried over to a warm coil strikes as hard: nine tenths of the effect are gone."""
    striker = find_striker(load_bench(BENCH), striker_id)
    for width in (2100.0, 2600.0, 3500.0, 4300.0):
        cold = struck(striker_id, width)[0]
        plain = struck(striker_id, width, warm_c)[0] / cold - 1.0
        longer = float(equal_width_us(striker, width, 21.0, warm_c))
        carried = struck(striker_id, longer, warm_c)[0] / cold - 1.0
        assert plain < -0.01
        assert abs(carried) < 0.15 * abs(plain)


@pytest.fixture(scope="module")
def calibrated(tmp_path_factory):
    """Folder with the bench file of both strikers, calibrated by the command with few strokes."""
    folder = tmp_path_factory.mktemp("calibrate")
    bench = BENCH
    for striker in ("A", "B"):
        out = folder / f"bench_{striker}.toml"
        calibrate(
            striker, "SIM-F1", bench=str(bench), out=out, runs=folder / striker,
            levels=16, repeats=8, quiet=True, **DEFAULTS,
        )  # fmt: skip
        bench = out
    return folder


DEFAULTS = {
    "run": None,
    "reference_uncertainty": 1.0,
    "least_force": 0.45,
    "most_force": 60.0,
    "start_ohm": None,
    "end_ohm": None,
    "seed": 1,
}


def test_command_finds_what_the_strikers_are(calibrated):
    """From nothing known to a bench file that gives true forces and flights over 0.6 to 55 N."""
    bench = load_bench(calibrated / "bench_B.toml")
    for striker in bench.strikers:
        table = striker.calibration
        assert table.reference_serial == "SIM-F1"
        assert table.striker_serial == f"SIM-{striker.id}"
        assert table.spread_percent == pytest.approx(2.0, rel=0.25)  # of the simulated strikers
        assert table.coil_temperature_c == 21.0
        assert table.forces_n[0] < 0.6
        assert table.forces_n[-1] > 55.0
        assert 1.0 < table.uncertainty_percent < 4.0
        check_table(striker)


def test_bench_file_stays_as_it_was_written(calibrated):
    """Every line of the person's file is there still, and the file read is not overwritten."""
    before = read_text(find_file(BENCH, "benches")).splitlines()
    after = read_text(calibrated / "bench_B.toml").splitlines()
    kept = iter(after)
    assert all(line in kept for line in before)
    with pytest.raises(BenchError, match="exists"):
        calibrate("A", "SIM-F1", bench=BENCH, out=calibrated / "bench_A.toml", **DEFAULTS)


@pytest.fixture(scope="module")
def ladder(calibrated):
    """The ladder run of striker A, and its strokes."""
    recording = load_run(calibrated / "A" / "ladder")
    return recording, force_strokes(recording)


def test_each_stroke_is_measured_as_it_was(ladder):
    """Peak, impulse, duration and flight of every single stroke, against the truth of the run."""
    recording, strokes = ladder
    truth = json.loads(recording.path.with_name("ladder.truth.json").read_text(encoding="utf-8"))[
        "contacts"
    ]
    true = pd.DataFrame(truth).sort_values("coil_on_s").reset_index(drop=True)
    found = strokes.sort_values("drive_t_s").reset_index(drop=True)
    felt = found["contacts"] > 0
    found = found[felt].reset_index(drop=True)
    assert len(found) == len(true)
    np.testing.assert_allclose(found["force_n"], true["force_n"], rtol=5e-3)
    # of Hertz's pulse, whose impulse is that of the momentum: m (v_in + v_out)
    momentum = (1.0 + PAD.restitution) * STRIKERS["A"].mass_kg * true["velocity_m_per_s"]
    np.testing.assert_allclose(found["impulse_n_s"], momentum, rtol=0.01)
    assert true["force_n"][0] * true["duration_s"][0] * HERTZ_IMPULSE == pytest.approx(momentum[0])
    np.testing.assert_allclose(found["duration_ms"], 1e3 * true["duration_s"], rtol=0.02)
    flights = 1e3 * (true["contact_s"] - true["coil_on_s"])
    np.testing.assert_allclose(found["flight_ms"], flights, atol=0.015)


def test_run_is_calibrated_again_from_its_record(calibrated, ladder, tmp_path, capsys):
    """Nothing is struck; a measured resistance at the end gives the coil's heat capacity back."""
    recording, strokes = ladder
    striker = find_striker(load_bench(BENCH), "A")
    made = strokes.sort_values("drive_t_s")
    end_c = coil_temperatures_c(
        striker,
        np.append(made["drive_t_s"], made["drive_t_s"].iloc[-1] + 0.045),
        np.append(made["width_us"], 0.0),
        21.0,
        21.0,
    )[-1]
    unknown = msgspec.structs.replace(striker, heat_capacity_j_per_k=None)
    options = {"ambient_c": 21.0, "reference_uncertainty_percent": 1.0}
    found = calibrate_striker(
        strokes, unknown, start_ohm=float(copper_ohm(6.0, 21.0)),
        end_ohm=float(copper_ohm(6.0, end_c)), **options,
    )  # fmt: skip
    assert found.heat_capacity_j_per_k == pytest.approx(25.0, rel=1e-3)
    np.testing.assert_allclose(
        found.levels["force_n"], calibrate_striker(strokes, striker, **options).levels["force_n"]
    )
    without = calibrate_striker(strokes, unknown, **options)
    assert without.reference_c is None
    assert any("not corrected" in remark for remark in without.remarks)
    with pytest.raises(ForceFitError, match="didn't"):
        calibrate_striker(strokes, unknown, start_ohm=6.3, end_ohm=6.0, **options)

    out = tmp_path / "again.toml"
    calibrate("A", "SIM-F1", bench=BENCH, out=out, **{**DEFAULTS, "run": recording.path})
    first = load_bench(calibrated / "bench_A.toml").strikers[0].calibration
    assert load_bench(out).strikers[0].calibration == first
    assert "uncertainty of a force" in capsys.readouterr().out


def test_warm_coil_is_corrected(tmp_path):
    """A ladder on a coil at 45 °C in a room at 21 °C gives the forces of a coil at 21 °C."""
    bench = load_bench(BENCH)
    striker = find_striker(bench, "A")
    widths = np.round(np.geomspace(2100.0, 4000.0, 12))
    rows = []
    rng = np.random.default_rng(2)
    for k, width in enumerate(np.tile(widths, 8)):
        force, flight = struck("A", width, 45.0)
        rows.append(
            {
                "strike": k, "striker": "A", "width_us": width, "drive_t_s": 1e-3 * k,
                "flight_ms": flight, "force_n": force * np.exp(0.003 * rng.standard_normal()),
                "impulse_n_s": 0.55 * force * 1.5e-3, "duration_ms": 1.5, "noise_n": 0.001,
                "contacts": 1, "clipped": False,
            }
        )  # fmt: skip
    found = calibrate_striker(
        pd.DataFrame(rows), striker, ambient_c=21.0, reference_uncertainty_percent=1.0,
        start_ohm=float(copper_ohm(6.0, 45.0)),
    )  # fmt: skip
    cold = np.array([struck("A", width)[0] for width in widths])
    warm = np.array([struck("A", width, 45.0)[0] for width in widths])
    assert (np.abs(warm / cold - 1.0) > 0.05).all()
    limit = found.uncertainty_percent / 100.0
    np.testing.assert_allclose(found.fit.force_n(widths), cold, rtol=limit)
    assert found.parts_percent["warmth"] > 1.0


def test_widths_that_tell_no_force_are_left_out(ladder):
    """Silent, clipped, double and no longer growing widths, each with its reason."""
    _, strokes = ladder
    widths = np.unique(strokes["width_us"])

    def spoilt(width, **fields):
        return strokes.assign(
            **{
                name: strokes[name].where(strokes["width_us"] != width, value)
                for name, value in fields.items()
            }
        )

    top, soft = widths[-1], widths[0]
    for table, left, word in (
        (spoilt(top, clipped=True), widths[:-1], "full scale"),
        (spoilt(top, contacts=2), widths[:-1], "twice"),
        (spoilt(top, force_n=20.0), widths[:-1], "no longer grows"),
        (spoilt(soft, contacts=0, force_n=np.nan), widths[1:], "not every stroke lands"),
    ):
        usable, remarks = usable_widths(table)
        np.testing.assert_array_equal(usable[-len(left) :], left[-len(usable) :])
        assert word in " ".join(remarks)
    nothing = strokes.assign(contacts=0, force_n=np.nan)
    assert len(usable_widths(nothing)[0]) == 0
    striker = find_striker(load_bench(BENCH), "A")
    with pytest.raises(ForceFitError, match="felt 0"):
        calibrate_striker(nothing, striker, ambient_c=21.0, reference_uncertainty_percent=1.0)


def simulated_run(path, protocol_text, bench_text):
    """Strike a protocol over the simulated pad; gives the run folder."""
    specimen_text = read_text(find_file("good_build", "specimens"))
    files = RunFiles.from_texts(protocol_text, bench_text, specimen_text)
    run(prepare(files), path)
    return path


def ladder_run(path, bench_text, widths_us, striker_id="A"):
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


def test_sensor_that_feels_nothing_is_told(tmp_path):
    """A channel with the wrong scale or no sensor gives a sentence, and no bench file."""
    text = read_text(find_file(BENCH, "benches"))
    dead = tmp_path / "dead.toml"
    # pulses too short to move the plunger at all
    dead.write_text(text.replace("longest_pulse_us = 6_000", "longest_pulse_us = 1_200"))
    out = tmp_path / "out.toml"
    with pytest.raises(ForceFitError, match="felt 0"):
        calibrate(
            "A", "SIM-F1", bench=str(dead), out=out, runs=tmp_path / "runs", quiet=True, levels=16,
            repeats=8, **DEFAULTS,
        )  # fmt: skip
    assert not out.exists()


def test_run_that_trips_ends_the_calibration(tmp_path):
    """An e-stop in the scouting run: the record is kept, and no bench file written."""
    text = read_text(find_file(BENCH, "benches")).replace("seed=1", "seed=1&estop_at_s=4")
    bench = tmp_path / "bench.toml"
    bench.write_text(text)
    with pytest.raises(typer.Exit):
        calibrate(
            "A", "SIM-F1", bench=str(bench), out=tmp_path / "out.toml", runs=tmp_path / "runs",
            quiet=True, levels=16, repeats=8, **DEFAULTS,
        )  # fmt: skip
    assert not (tmp_path / "out.toml").exists()
    with pytest.raises(BenchError, match="failed"):
        calibrate(
            "A", "SIM-F1", bench=str(bench), out=None,
            **{**DEFAULTS, "run": tmp_path / "runs" / "scout-1"},
        )  # fmt: skip


def test_scouting_ends_where_the_force_is_enough(tmp_path):
    """A sensor that stands 12 N is never struck much harder, though the striker could."""
    options = {**DEFAULTS, "most_force": 12.0}
    out = tmp_path / "out.toml"
    calibrate(
        "A", "SIM-F1", bench=BENCH, out=out, runs=tmp_path / "runs", quiet=True, levels=12,
        repeats=3, **options,
    )  # fmt: skip
    struck_n = [
        contact["force_n"]
        for truth in (tmp_path / "runs").glob("*.truth.json")
        for contact in json.loads(truth.read_text(encoding="utf-8"))["contacts"]
    ]
    assert 12.0 < max(struck_n) < 36.0
    assert load_bench(out).strikers[0].calibration.forces_n[-1] == pytest.approx(12.0, rel=0.05)


def test_table_is_the_curve(ladder):
    """What stands in the bench file gives the fitted curve back, also between few widths."""
    _, strokes = ladder
    striker = find_striker(load_bench(BENCH), "A")
    few = np.unique(strokes["width_us"])[[0, 1, 2, 3, 4, 6, 8, 10, 12, 14]]
    found = calibrate_striker(
        strokes[strokes["width_us"].isin(few)], striker,
        ambient_c=21.0, reference_uncertainty_percent=1.0,
    )  # fmt: skip
    record = found.record(date="2026-02-03", reference_serial="F")
    curve = ForceWidth(msgspec.structs.replace(striker, calibration=record))
    widths = np.linspace(few[0], few[-1], 300)
    np.testing.assert_allclose(curve.force_n(widths), found.fit.force_n(widths), rtol=4e-3)
    assert (record.widths_us[0], record.widths_us[-1]) == (few[0], few[-1])
    assert len(record.flights_ms) == len(record.widths_us) > len(few)


def test_run_of_another_striker_is_refused(ladder, tmp_path):
    """A calibration isn't put under a striker that was exchanged since its run."""
    recording, _ = ladder
    text = read_text(find_file(BENCH, "benches")).replace('"SIM-A"', '"SIM-X"')
    bench = tmp_path / "bench.toml"
    bench.write_text(text.replace("supply_v = 24.0", "supply_v = 22.0", 1))
    options = {**DEFAULTS, "run": recording.path}
    with pytest.raises(BadFileError) as told:
        calibrate("A", "SIM-F1", bench=str(bench), out=tmp_path / "out.toml", **options)
    assert len(told.value.faults) == 2
    assert "SIM-X" in told.value.faults[0]
    assert "supply_v" in told.value.faults[1]
    with pytest.raises(BenchError, match="no folder"):
        calibrate("A", "SIM-F1", bench=BENCH, out=tmp_path / "no" / "out.toml", **options)
    assert not list(tmp_path.glob("out.toml"))


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
