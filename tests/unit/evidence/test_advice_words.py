"""What the page of advice says in words."""

import math

import msgspec
import pandas as pd

from analysis.report.advice_words import evidence, mend, zones
from analysis.report.causes_part import cause_rows
from rig.record.loaders import find_file, parse_specimen
from rig.record.specimen import Settings, Zone


def test_zones_that_were_not_struck_are_named() -> None:
    """Of a module with several zones the settings are said to be those of the struck one."""
    text = find_file("good_build", "specimens").read_text(encoding="utf-8")
    one = parse_specimen(text, "good_build")
    head = one.module.zones[0]
    alone = msgspec.structs.replace(one, module=msgspec.structs.replace(one.module, zones=(head,)))
    assert zones(alone) == ""
    several = (head, Zone(id="rim", note=40), Zone(id="bow", note=41))
    told = zones(
        msgspec.structs.replace(one, module=msgspec.structs.replace(one.module, zones=several))
    )
    assert head.id in told
    assert "rim, bow" in told


def test_a_build_that_does_not_keep_its_settings_is_told() -> None:
    """Of losses that the settings declared should have avoided, and of no others; those apart."""
    explained = pd.DataFrame(
        {
            "stroke": range(5), "note": -1, "t_s": 1.0, "kind": "lost", "cause": "shadowed",
            "setting": "dead_time_ms", "avoided_by": [9.0, 20.0, 30.0, 31.0, 32.0],
            "not_kept": [False, False, True, True, True],
        }
    )  # fmt: skip
    told = cause_rows(explained, Settings(dead_time_ms=13.0))
    assert [row["count"] for row in told] == ["3", "2"]
    assert "13 ms are declared" in told[0]["mend"]
    assert "doesn't keep to them" in told[0]["mend"]
    assert "keep" not in told[1]["mend"]
    # where nothing is declared there is nothing to keep to
    assert "keep" not in cause_rows(explained, Settings())[0]["mend"]


def test_it_is_told_which_way_a_setting_avoids_a_fault() -> None:
    """More of a dead time avoids doubles, less of it losses; less gain what clips."""
    row = {"cause": "late_peak", "setting": "dead_time_ms", "avoided_by": 11.5}
    assert mend({**row, "kind": "double"}).startswith("dead time 11.5 ms or more (from the trigger")
    assert mend({**row, "kind": "lost"}) == "dead time 11.5 ms or less"
    clipped = {"cause": "clipped", "setting": "gain_db", "avoided_by": -3.0, "kind": "double"}
    assert mend(clipped) == "gain -3 dB or less"


def test_figures_are_told_as_a_person_reads_them() -> None:
    """Decibels that are nothing are 0, and what is not known is left out."""
    told = evidence({"hardest_level_dbfs": -1e-6, "spread_db": math.nan, "false_per_h": 1e-9})
    assert told == "hardest level 0 dBFS; false under 0.001 an hour"
    assert evidence({"spread_db": math.nan}) == "nothing known"
