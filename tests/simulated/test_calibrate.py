"""Calibration on the simulated bench: what it finds is held against the strikers themselves."""

import json

import msgspec
import numpy as np
import pandas as pd
import pytest
import typer
from true_striker import PAD, check_table

from analysis.force_calibration import calibrate_striker
from analysis.force_fit import ForceFitError
from analysis.force_strokes import force_strokes
from analysis.load import load_run
from analysis.usable_widths import usable_widths
from rig.calibration import find_striker
from rig.cli.calibrate import calibrate
from rig.record.bench_fault import BadFileError, BenchError
from rig.record.coil_warmth import coil_temperatures_c, copper_ohm
from rig.record.force_width import ForceWidth
from rig.record.loaders import find_file, load_bench
from rig.record.toml_file import read_text
from rig.simulation.contact import HERTZ_IMPULSE
from rig.simulation.presets import STRIKERS

BENCH = "simulated_force"


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
