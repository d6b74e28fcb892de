"""The three files that stand in the run folder of a take from outside."""

from __future__ import annotations

from rig.capture.take import TakeAudio
from rig.capture.take_notes import TakeNotes
from rig.record.bench_file import LISTENS_ONLY
from rig.record.plan import Plan
from rig.record.quantity import MOST_LETTERS
from rig.record.toml_file import quoted

_UNKNOWN_SPECIMEN = """format = 1

[pad]
name = "not said"

[module]
name = "not said"
firmware = "not said"
"""


def specimen_text(notes: TakeNotes | None) -> str:
    """Specimen file where none was given: its zone is the first note met."""
    for message in notes.data if notes is not None else ():
        if message[0] & 0xF0 == 0x90 and message[2] > 0:
            channel = (message[0] & 0x0F) + 1
            zone = f'\n[[module.zone]]\nid = "head"\nnote = {message[1]}\n'
            return f"{_UNKNOWN_SPECIMEN}midi_channel = {channel}\n{zone}"
    return _UNKNOWN_SPECIMEN


def protocol_text(plan: Plan, facts: TakeAudio) -> str:
    """Protocol file where none was given: a stage for each that the plan names, and no limit."""
    lines = ["format = 1", f"name = {_quoted(f'Take {facts.path.name}')}"]
    lines += ['purpose = "A recording from outside."', ""]
    for stage in dict.fromkeys(plan.strikes["stage"]) or ["take"]:
        lines += ["[[stage]]", f"name = {quoted(str(stage))}", 'pattern = "given"', ""]
    return "\n".join(lines)


def bench_text(facts: TakeAudio, channels: dict[str, int]) -> str:
    """Bench file: channels and rate, no board."""
    lines = ["format = 1", 'name = "Recording from outside"', "", "[board]"]
    lines += [f'port = "{LISTENS_ONLY}"', "", "[audio]"]
    lines += [f"device = {_quoted(facts.path.name)}", f"sample_rate_hz = {facts.sample_rate_hz}"]
    for role, number in channels.items():
        lines += ["", "[[audio.channel]]", f"number = {number}", f'role = "{role}"']
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """Text as a name in a TOML file: what a line of plain text can't hold is replaced, or cut."""
    plain = "".join(c if c.isprintable() else "?" for c in text)
    return quoted(plain if len(plain) <= MOST_LETTERS else f"{plain[: MOST_LETTERS - 1]}…")
