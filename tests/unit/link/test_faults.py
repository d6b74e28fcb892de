"""The table of faults is in step with the message table, and fit to be read."""

from __future__ import annotations

import pytest

from rig.faults import FAULTS, FaultError
from rig.link.messages import Refusal, Trip


def test_every_trip_and_refusal_has_its_row_and_no_other() -> None:
    """Each code of the message table has a cause and a remedy; none is left over."""
    wanted = {f"trip.{trip.name.lower()}" for trip in Trip if trip is not Trip.NONE}
    wanted |= {f"refusal.{one.name.lower()}" for one in Refusal if one is not Refusal.DONE}
    assert {code for code in FAULTS if not code.startswith("host.")} == wanted


@pytest.mark.parametrize("code", FAULTS)
def test_fault_reads_as_sentences(code: str) -> None:
    """What was attempted, found, likely caused and is to be done all stand in the error's text."""
    fault = FAULTS[code]
    text = str(FaultError(code, "Trying something", "42 mV found"))
    for part in ("Trying something", fault.text, "42 mV found", fault.cause, fault.remedy):
        assert part in text
    for part in (fault.text, fault.cause, fault.remedy):
        assert part
        assert not part.endswith(".")
