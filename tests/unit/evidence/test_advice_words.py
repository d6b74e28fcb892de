"""What the page of advice says in words."""

import msgspec

from analysis.report.advice_words import zones
from rig.record.loaders import find_file, parse_specimen
from rig.record.specimen import Zone


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
