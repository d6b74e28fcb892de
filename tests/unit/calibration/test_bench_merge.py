"""A calibration goes into a bench file, whose every other line stays as the person wrote it."""

import datetime
import difflib
import importlib.resources

import msgspec
import numpy as np
import pytest

from rig.bench_merge import calibration_table, merged_bench
from rig.calibration import (
    CalibrationError,
    find_striker,
    ladder_files,
    ladder_widths_us,
    scout_widths_us,
    threshold_widths_us,
)
from rig.record.bench_fault import BadFileError
from rig.record.bench_file import Calibration
from rig.record.calibration_age import calibration_doubts
from rig.record.dry_run import dry_run
from rig.record.loaders import parse_bench, parse_protocol

SHIPPED = (importlib.resources.files("protocols") / "benches" / "simulated_force.toml").read_text(
    "utf-8"
)

RECORD = Calibration(
    date="2026-02-03",
    reference_serial='F "7"',
    widths_us=(1850.5, 2000.0, 3000.0, 4400.0),
    forces_n=(0.45, 2.5, 17.25, 60.0),
    flights_ms=(23.5, 15.0, 6.1, 4.8),
    uncertainty_percent=1.7,
    spread_percent=2.05,
    coil_temperature_c=21.0,
    striker_serial="SIM-A",
    method="by hand",
)


def changes(before, after):
    """Lines taken out, and lines put in."""
    rows = list(difflib.ndiff(before.splitlines(), after.splitlines()))
    return [r[2:] for r in rows if r[0] == "-"], [r[2:] for r in rows if r[0] == "+"]


@pytest.mark.parametrize("striker", ["A", "B"])
def test_new_table_is_put_in_and_nothing_taken_out(striker):
    """Read back, the file is the one before but for this calibration."""
    merged = merged_bench(SHIPPED, striker, RECORD)
    gone, come = changes(SHIPPED, merged)
    assert gone == []
    assert [line for line in come if line] == calibration_table(RECORD).splitlines()
    found = {one.id: one.calibration for one in parse_bench(merged, "merged").strikers}
    assert found == {"A": None, "B": None} | {striker: RECORD}


def test_both_strikers_one_after_the_other():
    """The second calibration leaves the first alone; the order doesn't matter."""
    other = msgspec.structs.replace(RECORD, striker_serial="SIM-B", date="2026-02-04")
    one_way = merged_bench(merged_bench(SHIPPED, "A", RECORD), "B", other)
    other_way = merged_bench(merged_bench(SHIPPED, "B", other), "A", RECORD)
    found = [parse_bench(text, "merged") for text in (one_way, other_way)]
    assert found[0] == found[1]
    assert [one.calibration for one in found[0].strikers] == [RECORD, other]


def test_earlier_table_is_replaced():
    """Only the lines of the earlier table change; putting in the same twice changes nothing."""
    once = merged_bench(SHIPPED, "A", RECORD)
    assert merged_bench(once, "A", RECORD) == once
    newer = msgspec.structs.replace(RECORD, date="2027-01-01", forces_n=(0.5, 2.5, 17.0, 61.0))
    gone, come = changes(once, merged_bench(once, "A", newer))
    assert len(gone) == len(come) == 2
    assert come[0] == 'date = "2027-01-01"'


def test_comments_and_line_ends_are_kept():
    """Comments stay where they are, and a file with line ends of two characters keeps them."""
    text = SHIPPED.replace("\n[ambient]", "\n# the room\n[ambient]  # by the door")
    for written in (text, text.replace("\n", "\r\n"), text.rstrip("\n")):
        merged = merged_bench(written, "B", RECORD)
        assert changes(written, merged)[0] == []
        assert merged.index("# the room") > merged.rindex("flights_ms")
        assert ("\r\n" in written) == ("\r\n" in merged)
        assert "\n" not in merged.replace("\r\n", "") or "\r\n" not in written


def test_a_file_written_otherwise_is_not_touched():
    """Strikers in one line: refused, and the sentence holds the table to be put in by hand."""
    start, end = SHIPPED.index("[[striker]]"), SHIPPED.index("[ambient]")
    inline = (
        'striker = [{id = "A", coil_resistance_ohm = 6, coil_inductance_mh = 30, supply_v = 24, '
        "longest_pulse_us = 6000, least_gap_ms = 45, thermal_time_constant_s = 60, "
        "duty_percent = 10}]\n"
    )
    text = inline + SHIPPED[:start] + SHIPPED[end:]
    parse_bench(text, "inline")
    with pytest.raises(CalibrationError, match=r"by hand:\n\[striker\.calibration\]"):
        merged_bench(text, "A", RECORD)


def test_what_a_bench_lacks_is_told_in_one_go():
    """No such striker, no force channel, or one without a scale."""
    bench = parse_bench(SHIPPED, "bench")
    assert find_striker(bench, "B").id == "B"
    unscaled = parse_bench(SHIPPED.replace("newtons_per_full_scale = 100.0\n", ""), "bench")
    with pytest.raises(BadFileError, match="has no newtons_per_full_scale"):
        find_striker(unscaled, "A")
    without = parse_bench(SHIPPED.replace('role = "force"', 'role = "din_line"'), "bench")
    with pytest.raises(BadFileError) as told:
        find_striker(without, "C")
    assert len(told.value.faults) == 2
    assert "'C'" in told.value.faults[0]
    assert '"force"' in told.value.faults[1]


def test_ladder_is_an_allowed_protocol():
    """The runs that the command makes pass the dry run of an uncalibrated bench."""
    bench = parse_bench(SHIPPED, "bench")
    striker = find_striker(bench, "A")
    widths = scout_widths_us(striker)
    assert widths[-1] == striker.longest_pulse_us
    files = ladder_files(
        SHIPPED, striker, widths.tolist(), name="scout", repeats=3, prompt='the "sensor"'
    )
    found = dry_run(files.protocol, bench)
    assert found.allowed
    assert found.strokes == 3 * len(widths)
    assert sorted(set(found.plan.strikes["width_us"])) == widths.tolist()
    assert parse_protocol(files.protocol_text, "again") == files.protocol


def test_ladder_follows_the_forces_that_were_asked_for():
    """Evenly spaced in log force, in whole ticks, within what scouting found and what was asked."""
    widths, forces = np.linspace(1000.0, 5000.0, 50), np.geomspace(0.1, 100.0, 50)
    ladder = ladder_widths_us(widths, forces, 11, 1.0, 200.0)
    np.testing.assert_allclose(
        np.interp(ladder, widths, np.log(forces)), np.log(np.geomspace(1.0, 100.0, 11)), atol=1e-2
    )
    assert (ladder * 2.0 == np.round(ladder * 2.0)).all()
    edge = threshold_widths_us(1000.0, 1010.0)
    assert ((edge > 1000.0) & (edge < 1010.0)).all()
    with pytest.raises(CalibrationError, match=r"0\.1 to 100 N"):
        ladder_widths_us(widths, forces, 11, 200.0, 300.0)


def test_run_refuses_forces_beyond_the_calibration():
    """Nothing is extrapolated: a force above or below the table is refused by name."""
    bench = parse_bench(merged_bench(SHIPPED, "A", RECORD), "bench")
    protocol = parse_protocol(
        'format = 1\nname = "p"\npurpose = "p"\n[[stage]]\nname = "s"\npattern = "single"\n'
        "forces_n = [0.44, 10, 60.5]\n",
        "protocol",
    )
    refusal = " ".join(dry_run(protocol, bench).refusals)
    assert "0.44 to 60.5 N" in refusal
    assert "nothing is extrapolated" in refusal


DAY = datetime.date(2026, 2, 3)


@pytest.mark.parametrize(
    ("days", "word"),
    [(0, None), (90, None), (91, "91 days old"), (-1, "after this run")],
)
def test_age_is_told(days, word):
    """A calibration is trusted for 90 days if the bench file says nothing else."""
    bench = parse_bench(merged_bench(SHIPPED, "A", RECORD), "bench")
    doubts = calibration_doubts(bench, DAY + datetime.timedelta(days=days), ["A"])
    assert [word] == [word for doubt in doubts if word in doubt] if word else doubts == []


@pytest.mark.parametrize(
    ("days", "told"), [(0, False), (90, False), (91, True), (-1, True), (None, False)]
)
def test_age_of_a_measured_path_is_told(days, told):
    """A measured way of notes into the computer is trusted as long, where notes come by it alone."""
    day = DAY if days is None else DAY - datetime.timedelta(days=days)
    date = "" if days is None else f'date = "{day}", '
    path = f"host_path = {{ {date}delay_ms = 3, delay_uncertainty_ms = 0.1, jitter_ms = 0.3 }}"
    text = SHIPPED.replace("board_din = true", f'board_din = false\nhost_port = "board"\n{path}')
    doubts = calibration_doubts(parse_bench(text, "bench"), DAY, [])
    assert [f"measured on {day}" in doubt for doubt in doubts] == [True] * told
    also_din = text.replace("board_din = false", "board_din = true")
    assert calibration_doubts(parse_bench(also_din, "bench"), DAY, []) == []
    with pytest.raises(BadFileError, match=r"midi.host_path.date: 'soon' found"):
        parse_bench(
            text.replace("{ ", "{ " if date else '{ date = "soon", ').replace(str(day), "soon"), "b"
        )


def test_another_striker_or_none_is_told():
    """An exchanged striker isn't calibrated by the old table; one without says drive, not force."""
    bench = parse_bench(
        merged_bench(SHIPPED, "A", RECORD).replace('\nserial = "SIM-A"', '\nserial = "SIM-X"'),
        "bench",
    )
    exchanged, missing = calibration_doubts(bench, DAY)
    assert "SIM-X" in exchanged
    assert "SIM-A" in exchanged
    assert "over drive" in missing
    longer = parse_bench(
        SHIPPED.replace('name = "sim', 'calibration_valid_days = 9\nname = "sim'), "b"
    )
    assert longer.calibration_valid_days == 9


def test_date_that_is_none_is_a_fault_of_the_file():
    """The age of a calibration must be known."""
    text = merged_bench(SHIPPED, "A", RECORD).replace("2026-02-03", "last week")
    with pytest.raises(BadFileError, match="YYYY-MM-DD"):
        parse_bench(text, "bench")
