"""Every fault of a file is told at once, with line, key, what was found and what is allowed."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from record_texts import BENCH_TEXT, PROTOCOL_TEXT, SPECIMEN_TEXT

from rig.record.bench_fault import BadFileError
from rig.record.loaders import (
    load_bench,
    load_protocol,
    load_specimen,
    parse_bench,
    parse_protocol,
    parse_specimen,
    shipped_names,
)
from rig.record.measure_names import MEASURE_UNITS

HEAD = 'format = 1\nname = "x"\npurpose = "x"\n'


def faults_of(parse, text: str) -> list[str]:
    """Faults that a text is refused with."""
    with pytest.raises(BadFileError) as caught:
        parse(text, "file.toml")
    return list(caught.value.faults)


def test_all_faults_come_at_once():
    """Seven faults of six kinds in one file make seven sentences, each with its line."""
    text = (
        'format = 1\nname = ""\npurpse = "x"\n\n'  # lines 1 to 4
        '[[stage]]\npattern = "single"\nname = "a"\nforces_n = [1, -2,\n  nan]\nrepeats = 1.5\n\n'
        '[[stage]]\npattern = "rol"\nname = "b"\n'
    )
    faults = faults_of(parse_protocol, text)
    expected = [
        ("line 2: name", "an empty text"),
        ("line 3: purpse", "did you mean 'purpose'"),
        ("'purpose' is missing", ""),
        ("line 8: stage[1].forces_n[2]", "-2 found; above 0"),
        ("line 8: stage[1].forces_n[3]", "nan found; a finite number"),
        ("line 10: stage[1].repeats", "1.5 found; a whole number"),
        ("line 13: stage[2].pattern", "did you mean 'roll'"),
    ]
    assert len(faults) == len(expected)
    for place, sentence in expected:
        assert any(place in fault and sentence in fault for fault in faults), (place, faults)


def test_faults_of_form_hide_no_others():
    """What keys must be to each other is told beside missing and unknown ones, by line."""
    text = (
        'format = 1\nname = "x"\nconfidense = 0.9\n'  # lines 1 to 3; no purpose
        '[[stage]]\npattern = "single"\nname = "a"\nforces_n = [1]\nwidths_us = [3000]\nrepeat = 2\n'
        '[[stage]]\npattern = "idle"\nname = "a"\nduration_s = 0\n'
        '[[limit]]\nmeasure = "lost_share"\nat_most_ms = 3\nstage = "b"\n'
        '[[limit]]\nmeasure = "lost_share"\nat_most_percent = 3\ngood_percent = 5\nstage = "c"\n'
        '[[stage]]\npattern = "single"\nname = "a"\n'
    )
    expected = [
        "file.toml: 'purpose' is missing",
        "line 3: confidense: no such key",
        "line 4: stage[1]: forces_n and widths_us found",
        "line 9: stage[1].repeat: no such key; did you mean 'repeats'?",
        "line 12: stage[2].name: 'a' stands more than once",
        "line 13: stage[2].duration_s: 0 found",
        "line 16: limit[1].at_most_ms: lost_share is given in percent",
        "line 17: limit[1].stage: no stage is named 'b'",
        "line 21: limit[2].good_percent: 5 % found",
        "line 22: limit[2].stage: no stage is named 'c'",
        "line 23: stage[3]: neither found; give one of forces_n or widths_us",
        "line 25: stage[3].name: 'a' stands more than once",
    ]
    faults = faults_of(parse_protocol, text)
    assert len(faults) == len(expected)
    for fault, told in zip(faults, expected, strict=True):
        assert told in fault


@pytest.mark.parametrize(
    ("name", "sentence"),
    [
        ("a\\u202eb", "U+202E found; a line of plain text"),
        ("a\\nb", "U+000A found"),
        ("a\\u0000b", "U+0000 found"),
        ("a" * 101, "101 characters found; at most 100"),
    ],
)
def test_names_that_no_page_could_show(name, sentence):
    """What turns or breaks the lines around it, or fills a page, is no name."""
    text = f'format = 1\nname = "{name}"\npurpose = "of\\nmany lines"\n{IDLE}'
    assert [sentence in fault for fault in faults_of(parse_protocol, text)] == [True]


def test_names_in_any_script_are_allowed():
    """Markup, other scripts and joined emoji are letters like others."""
    name = "<b>[/] \u05d0\u05d1 \U0001f468\u200d\U0001f527 {{x}} $y$"
    text = f'format = 1\nname = "{name}"\npurpose = "of\\nmany lines"\n{IDLE}'
    assert parse_protocol(text, "file.toml").name == name


IDLE = '[[stage]]\nname = "i"\npattern = "idle"\nduration_s = 3\n'
STAGE = HEAD + '[[stage]]\nname = "a"\n'
SINGLE = STAGE + 'pattern = "single"\n'
FLAM = STAGE + 'pattern = "flam"\nstrikers = ["A", "B"]\n'


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (HEAD, "'stage' is missing"),
        (HEAD + "stage = []", "0 entries"),
        (HEAD + "stage = 3", "3 found; a list"),
        (HEAD + "stage = [3]", "3 found; a table"),
        (HEAD.replace("1", "2", 1), "2 found; allowed: 1"),
        (STAGE, "'pattern' is missing"),
        (SINGLE, "neither found; give one of forces_n or widths_us"),
        (SINGLE + "forces_n = [1]\nwidths_us = [3000]", "forces_n and widths_us found"),
        (SINGLE + "forces_n = []", "neither found"),
        (SINGLE + "forces_n = [true]", "True found; a number"),
        (SINGLE + 'forces_n = ["1"]', "'1' found; a number"),
        (SINGLE + "forces_n = [inf]", "inf found; a finite number"),
        (SINGLE + "forces_n = [1]\nrepeats = 0", "0 found; at least 1"),
        (SINGLE + 'forces_n = [1]\norder = "upp"', "did you mean 'up'"),
        (SINGLE + "forces_n = [1]\nstrikers = []", "0 entries"),
        (SINGLE + "forces_n = [1]\ninterval_ms = 5", "below interval_ms"),
        (STAGE + 'pattern = "roll"\nrates_per_s = [10]', "give one of force_n or width_us"),
        (STAGE + 'pattern = "roll"\nrates_per_s = []\nforce_n = 1', "0 entries"),
        (STAGE + 'pattern = "idle"\nduration_s = -1', "-1 found; at least 1"),
        (SINGLE + "forces_n = [1]\ninterval_ms = 1e300", "at most 600,000 is allowed"),
        (SINGLE + "widths_us = [0.1]", "at least 0.5 and at most 32,767"),
        (HEAD + "name = 3", "for the second time"),
        (FLAM.replace(', "B"', "") + "gaps_ms = [5]\nforce_n = 3", "a flam takes two"),
        (FLAM + "gaps_ms = [5]\nwidth_us = 3000\nlevel_differences_db = [3]", "need force_n"),
        (
            STAGE + 'pattern = "buzz"\nstrokes = 9\nfirst_gap_ms = 9\nlast_gap_ms = 5\n'
            "first_force_n = 3\nlast_width_us = 3000",
            "one kind for both",
        ),
        (PROTOCOL_TEXT.replace('"rolls"', '"flams"', 1), "stands more than once"),
        (PROTOCOL_TEXT.replace('stage = "rolls"', 'stage = "roll"'), "did you mean 'rolls'"),
        (PROTOCOL_TEXT.replace("latency_p99", "latncy_p99"), "did you mean 'latency_p99'"),
        (PROTOCOL_TEXT.replace("at_most_ms", "at_most"), "the unit is missing: write at_most_ms"),
        (PROTOCOL_TEXT.replace("at_most_ms", "at_most_s"), "no such unit: 's'"),
        (PROTOCOL_TEXT.replace("at_most_ms", "at_most_percent"), "given in ms, not percent"),
        (PROTOCOL_TEXT.replace("at_most_ms", "most_ms"), "no such key; did you mean 'at_most_ms'"),
        (PROTOCOL_TEXT.replace("at_most_ms = 9", ""), "0 bounds found"),
        (PROTOCOL_TEXT.replace("at_most_ms = 9", "at_most_ms = 9\nat_least_ms = 1"), "2 bounds"),
        (PROTOCOL_TEXT.replace("at_most_ms = 9", "at_most_ms = nan"), "nan found; a finite"),
        (PROTOCOL_TEXT.replace("at_most_ms = 9", 'at_most_ms = "9"'), "a number is asked for"),
        (PROTOCOL_TEXT.replace("at_most_ms = 9", 'bound = "at_most"\nvalue = 9'), "no such key"),
        (PROTOCOL_TEXT.replace("least_strokes = 30", "least_strokes = 0"), "0 found; at least 1"),
        (HEAD + "name = 3", "not a TOML file"),
        (HEAD + "forces_n = [1,", "may be cut off: see that all of it was saved"),
    ],
)
def test_protocol_faults(text, sentence):
    """Each of these protocol files is refused with the sentence that names its fault."""
    assert any(sentence in fault for fault in faults_of(parse_protocol, text))


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ('role = "sensor"', 'role = "force"', "no channel has the role 'sensor'"),
        ("number = 2", "number = 1", "1 stands more than once"),
        ('role = "marker"', 'role = "sensor"', "'sensor' stands more than once"),
        ('id = "B"', 'id = "A"', "'A' stands more than once"),
        ('port = "sim://bench?seed=1"', "", "neither serial_number nor port"),
        ("duty_percent = 10", "duty_percent = 0", "0 found; above 0 and at most 100"),
        ("duty_percent = 10", "duty_percnt = 10", "did you mean 'duty_percent'"),
        ("[2500, 4000, 6000, 9000]", "[2500, 4000, 9000]", "differ in length"),
        ("[2500, 4000, 6000, 9000]", "[2500, 4000, 4000, 9000]", "greater than the one before"),
        ("[0.625, 2.56, 8.64, 29.16]", "[0.625, 2.56, 1.5, 29.16]", "greater than the one before"),
        ("longest_pulse_us = 12000", "longest_pulse_us = 40000", "at most 32,767"),
        ('device = "board"', 'device = "board"\nsample_rate_hz = 96000.5', "a whole number"),
    ],
)
def test_bench_faults(old, new, sentence):
    """Each of these bench files is refused with the sentence that names its fault."""
    assert old in BENCH_TEXT
    assert any(
        sentence in fault for fault in faults_of(parse_bench, BENCH_TEXT.replace(old, new, 1))
    )


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("note = 38", "note = 128", "128 found; at least 0 and at most 127"),
        ('firmware = "1.4"', "", "'firmware' is missing"),
        (
            'firmware = "1.4"',
            'firmware = "1.4"\n[module.settings]\nrelease_ms = 0\ngain_db = 1e4',
            "0 found; at least 0.01 and at most 10,000",
        ),
        ('firmware = "1.4"', "firmware = 1.4", "1.4 found; a text"),
        ('name = "loam-mesh"', 'name = "p"\nstrike_position = 2', "at least 0 and at most 1"),
        (
            'firmware = "1.4"',
            'firmware = "1.4"\n[module.declared_curve]\nleast_force_n = 9\nmost_force_n = 3',
            "below most_force_n",
        ),
        ("note = 38", 'note = 38\n[[module.zone]]\nid = "rim"\nnote = 38', "38 stands more than"),
    ],
)
def test_specimen_faults(old, new, sentence):
    """Each of these specimen files is refused with the sentence that names its fault."""
    assert old in SPECIMEN_TEXT
    assert any(
        sentence in fault for fault in faults_of(parse_specimen, SPECIMEN_TEXT.replace(old, new, 1))
    )


def test_lines_are_found_after_texts_and_lists_of_many_lines():
    """A header or key inside a text or list is not taken for one."""
    text = (
        'format = 1\nname = "x"\npurpose = """\n[[stage]]\nname = "no"\n"""\n'
        '[[stage]]\npattern = "single"\nforces_n = [\n  1,  # ]\n  2,\n]\nname = "a"\nrepeats = 0\n'
    )
    assert faults_of(parse_protocol, text) == [
        "file.toml, line 14: stage[1].repeats: 0 found; at least 1 and at most 1,000,000 is allowed"
    ]


@settings(max_examples=150, deadline=None)
@given(
    which=st.sampled_from(
        [
            (parse_protocol, PROTOCOL_TEXT),
            (parse_bench, BENCH_TEXT),
            (parse_specimen, SPECIMEN_TEXT),
        ]
    ),
    place=st.integers(0, 5000),
    length=st.integers(0, 40),
    junk=st.text(max_size=12),
)
def test_hostile_text_gives_a_sentence(which, place, length, junk):
    """Any text is read, or refused with sentences: never a traceback."""
    parse, text = which
    place %= len(text)
    faults: tuple[str, ...] = ("file.toml",)
    try:
        parse(text[:place] + junk + text[place + length :], "file.toml")
    except BadFileError as error:
        faults = error.faults
    assert faults
    assert all(fault.startswith("file.toml") for fault in faults)


def test_a_file_is_found_by_path_or_shipped_name(tmp_path):
    """A path wins; a bare name means a shipped file; else the shipped names are told."""
    (tmp_path / "mine.toml").write_text(PROTOCOL_TEXT)
    assert load_protocol(tmp_path / "mine.toml").name == "all patterns"
    assert load_protocol("latency").name == "latency"
    with pytest.raises(BadFileError, match="did you mean 'latency'"):
        load_protocol("latancy")
    with pytest.raises(BadFileError, match="no such file"):
        load_protocol(tmp_path / "latency")
    (tmp_path / "latin.toml").write_bytes(b'name = "\xe9"')
    with pytest.raises(BadFileError, match="not UTF-8 at byte 8"):
        load_protocol(tmp_path / "latin.toml")


def test_all_shipped_files_load():
    """Every protocol, bench and specimen that comes with the program is faultless."""
    assert len(shipped_names("")) >= 7
    for name in shipped_names(""):
        protocol = load_protocol(name)
        assert protocol.limits, name
        assert all(limit.unit == MEASURE_UNITS[limit.measure] for limit in protocol.limits)
    assert all(load_bench(name).strikers for name in shipped_names("benches"))
    assert {load_specimen(name).module.name for name in shipped_names("specimens")}
