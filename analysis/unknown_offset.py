"""Notes of a MIDI file may all be late or early by as much: no latency is decided by them."""

from __future__ import annotations

import dataclasses

from analysis.decide import Decision
from analysis.measure import UNITS


def of_unknown_offset(decision: Decision) -> Decision:
    """Return the decision, undecided if it passes or fails a latency that the offset is in.

    Wire time and the spread of latencies are the same whatever the offset is.
    """
    limit = decision.limit
    if not limit.measure.startswith("latency_") or limit.measure == "latency_sd":
        return decision
    if decision.verdict not in ("pass", "fail"):
        return decision
    reason = (
        f"{limit.measure} {limit.bound.replace('_', ' ')} {limit.value:g} "
        f"{UNITS.get(limit.unit, limit.unit)}{f' in stage {limit.stage}' * bool(limit.stage)}: "
        "not decided, for the notes are from a MIDI file, "
        "whose offset to the sound is not known. Give them as a CSV, stamped on the audio clock."
    )
    return dataclasses.replace(decision, verdict="undecided", reason=reason, further_strokes=None)
