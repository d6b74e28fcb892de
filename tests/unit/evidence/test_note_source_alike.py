"""Runs whose notes came in by unlike ways are not compared: a host's path adds its own delay."""

from __future__ import annotations

import dataclasses

import pytest

from analysis.alike import (
    UnlikeRunsError,
    changed,
    facts_of,
    refuse_unlike,
    zone_pair,
    zones_left_out,
)
from rig.record.loaders import find_file, parse_bench, parse_protocol, parse_specimen

BY_HOST = 'board_din = false\nhost_port = "pads"'
PATH = "\nhost_path = {{ delay_ms = {}, delay_uncertainty_ms = 0.1, jitter_ms = 0.3 }}"
LINE = 'board_din = false\n[[audio.channel]]\nnumber = 3\nrole = "din_line"'


def facts(midi="board_din = true"):
    """Facts of a run on the simulated bench with other lines under [midi]."""
    texts = [
        find_file(name, kind).read_text()
        for name, kind in (("simulated", "benches"), ("demo", ""), ("good_build", "specimens"))
    ]
    bench = parse_bench(texts[0].replace("board_din = true", midi), "bench")
    return facts_of(
        midi, bench, parse_protocol(texts[1], "protocol"), parse_specimen(texts[2], "specimen")
    )


@pytest.mark.parametrize(
    ("one", "other", "word"),
    [
        ("board_din = true", BY_HOST, "path not measured"),
        (BY_HOST, BY_HOST + PATH.format(2.5), "2.5 ms taken off"),
        (BY_HOST + PATH.format(2.5), BY_HOST + PATH.format(3), "3 ms taken off"),
    ],
)
def test_unlike_ways_of_the_notes_are_refused(one, other, word):
    """The refusal names both ways; the person may accept it."""
    with pytest.raises(UnlikeRunsError, match=word):
        refuse_unlike([facts(one), facts(other)])
    assert refuse_unlike([facts(one), facts(other)], ["note_source"])


def test_what_differs_of_a_specimen_is_named_setting_by_setting():
    """One setting that was changed is told alone; zones stand with their notes."""
    before = facts()
    after = dataclasses.replace(
        before, specimen=before.specimen | {"module.settings.dead_time_ms": "9.0"}
    )
    assert changed(before, after) == ("module.settings.dead_time_ms: 13.0 -> 9.0",)
    assert before.specimen["module.zone"] == "head 38"


RIM = '[[module.zone]]\nid = "rim"\nnote = 40\n[module.declared_curve]'
HEARD = '[[audio.channel]]\nnumber = 3\nrole = "second_zone"\n[midi]'


def zone_files(heard=False, zones=2):
    """A bench with or without a second sensor, and a specimen of one zone or two."""
    bench, specimen = (
        find_file(name, kind).read_text("utf-8")
        for name, kind in (("simulated", "benches"), ("good_build", "specimens"))
    )
    bench = bench.replace("[midi]", HEARD) if heard else bench
    specimen = specimen.replace("[module.declared_curve]", RIM) if zones > 1 else specimen
    return parse_bench(bench, "bench"), parse_specimen(specimen, "specimen")


def test_zones_of_which_only_notes_are_compared_are_named():
    """Of one zone there is nothing to say, nor of two with a sensor each."""
    assert zones_left_out(*zone_files(zones=1)) == ""
    assert zones_left_out(*zone_files(heard=True)) == ""
    assert "from head to rim is compared by its notes alone" in zones_left_out(*zone_files())
    assert zone_pair(*zone_files(heard=True)) == "head to rim"
    assert zone_pair(*zone_files()) == ""


def test_unlike_zones_are_refused():
    """A zone more, or one more that is heard, is no longer the same crosstalk."""
    protocol = parse_protocol(find_file("demo", "").read_text("utf-8"), "protocol")
    one, two, both = (
        facts_of(name, bench, protocol, specimen)
        for name, (bench, specimen) in {
            "one": zone_files(zones=1), "two": zone_files(), "both": zone_files(heard=True),
        }.items()
    )  # fmt: skip
    for pair in ([one, two], [two, both]):
        with pytest.raises(UnlikeRunsError, match=r"zones differ .*--allow zones"):
            refuse_unlike(pair)
        assert refuse_unlike(pair, ["zones"])


def test_the_boards_input_and_a_recorded_line_are_one_wire():
    """So is the same host's path twice."""
    assert refuse_unlike([facts(), facts(LINE)]) == ()
    assert refuse_unlike([facts(BY_HOST), facts(BY_HOST)]) == ()
