"""Makes a run folder out of a take from outside, so that the same analysis reads it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile

from rig.capture.take import BLOCK_FRAMES, BadTakeError, TakeAudio, look_at_audio
from rig.capture.take_notes import TakeNotes, read_notes
from rig.capture.take_plan import read_strikes, ticks_of
from rig.record.bench_fault import BadFileError
from rig.record.loaders import LISTENS_ONLY, find_file, parse_bench, parse_protocol, parse_specimen
from rig.record.plan import Plan
from rig.record.plan_csv import empty_plan
from rig.record.run_folder import RunWriter, make_start
from rig.record.toml_file import read_text

_UNKNOWN_SPECIMEN = """format = 1

[pad]
name = "not said"

[module]
name = "not said"
firmware = "not said"
"""


def bring_in(
    *,
    audio: Path,
    sensor_channel: int,
    marker_channel: int | None,
    midi: Path | None,
    strikes: Path | None,
    specimen: Path | str | None,
    out: Path,
) -> tuple[Path, list[str]]:
    """Check a take whole, then make its run folder.

    Parameters
    ----------
    audio
        WAV, RF64 or FLAC.
    sensor_channel, marker_channel
        Counted from 1.
    midi
        Standard MIDI file, or CSV with times on the audio clock.
    strikes
        CSV of the plan.
    specimen
        Specimen file; without one the note's zone is taken to be the first note met.
    out
        Folder to make; it must not exist.

    Returns
    -------
    The folder, and sentences on what can't be told from this take.

    Raises
    ------
    BadTakeError
        All faults of all files in one go; nothing was written.
    RecordError
        The folder exists, or the disk is full: what was recorded is kept, as failed.
    """
    channels = {"sensor": sensor_channel}
    if marker_channel is not None:
        channels["marker"] = marker_channel
    facts, faults = look_at_audio(audio, channels)
    plan, more = (
        read_strikes(strikes, facts.duration_s if facts else None)
        if strikes is not None
        else (empty_plan(), [])
    )
    faults += more
    notes: TakeNotes | None = None
    if midi is not None:
        notes, more = read_notes(midi)
        faults += more
    specimen_text = _UNKNOWN_SPECIMEN
    if specimen is not None:
        try:
            specimen_text = read_text(find_file(specimen, "specimens"))
            parse_specimen(specimen_text, str(specimen))
        except BadFileError as error:
            faults += error.faults
    if facts is not None and notes is not None and notes.time_s.size:
        late_s = float(notes.time_s.max())
        if late_s > facts.duration_s + 1.0:
            faults.append(
                f"{midi}: the last message is at {late_s:.3f} s, the take ends at "
                f"{facts.duration_s:.3f} s; they don't belong together"
            )
    if faults or facts is None:
        raise BadTakeError("\n".join(["nothing was brought in:", *faults]))
    if specimen is None and notes is not None:
        specimen_text += _first_note(notes)
    doubts = _what_cannot_be_told(plan, notes, marker_channel is not None)
    _write(facts, channels, plan, notes, specimen_text, out, doubts)
    return out, doubts


def _first_note(notes: TakeNotes) -> str:
    for message in notes.data:
        if message[0] & 0xF0 == 0x90 and message[2] > 0:
            channel = (message[0] & 0x0F) + 1
            zone = f'\n[[module.zone]]\nid = "head"\nnote = {message[1]}\n'
            return f"midi_channel = {channel}\n{zone}"
    return ""


def _what_cannot_be_told(plan: Plan, notes: TakeNotes | None, marked: bool) -> list[str]:
    doubts = []
    if plan.strikes.empty:
        doubts.append(
            "no plan: the onsets stand alone. Strokes that made no sound on the sensor, forces, "
            "rates and gaps can't be told."
        )
    elif not marked:
        doubts.append(
            "no marker channel: the plan is fitted to the onsets, so the flight of the striker "
            "can't be told from the offset of the clocks. Latencies do not depend on it."
        )
    if not plan.strikes.empty and not np.isfinite(plan.strikes["force_n"]).any():
        doubts.append("no forces: velocity is given over the order of strikes, not over force.")
    if notes is None:
        doubts.append("no notes: only the sensor is measured; nothing is said of the module.")
    elif notes.resolution_s > 0:
        doubts.append(
            f"notes from a MIDI file: its step is {notes.resolution_s * 1e3:.3f} ms, and the "
            "program that wrote it stamped them by its own clock; their offset is not known."
        )
    return doubts


def _protocol_text(plan: Plan, facts: TakeAudio) -> str:
    lines = ["format = 1", f'name = "Take {_quoted(facts.path.name)}"']
    lines += ['purpose = "A recording from outside."', ""]
    for stage in dict.fromkeys(plan.strikes["stage"]):
        lines += ["[[stage]]", f'name = "{_quoted(str(stage))}"', 'pattern = "given"', ""]
    if plan.strikes.empty:
        lines += ["[[stage]]", 'name = "take"', 'pattern = "given"', ""]
    return "\n".join(lines)


def _bench_text(facts: TakeAudio, channels: dict[str, int]) -> str:
    lines = ["format = 1", 'name = "Recording from outside"', "", "[board]"]
    lines += [f'port = "{LISTENS_ONLY}"', "", "[audio]"]
    lines += [f'device = "{_quoted(facts.path.name)}"', f"sample_rate_hz = {facts.sample_rate_hz}"]
    for role, number in channels.items():
        lines += ["", "[[audio.channel]]", f"number = {number}", f'role = "{role}"']
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in escaped)


def _write(
    facts: TakeAudio,
    channels: dict[str, int],
    plan: Plan,
    notes: TakeNotes | None,
    specimen_text: str,
    out: Path,
    doubts: list[str],
) -> None:
    protocol_text, bench_text = _protocol_text(plan, facts), _bench_text(facts, channels)
    bench = parse_bench(bench_text, "bench.toml")
    start = make_start(
        parse_protocol(protocol_text, "protocol.toml"),
        bench,
        parse_specimen(specimen_text, "specimen.toml"),
        sources=("import",),
    )
    # the recording holds the channels that have a role, in order of their numbers
    columns = [channels[role] - 1 for role in sorted(channels, key=lambda role: channels[role])]
    with RunWriter.create(
        out,
        start=start,
        plan=plan,
        protocol_text=protocol_text,
        bench_text=bench_text,
        specimen_text=specimen_text,
    ) as writer:
        for doubt in doubts:
            writer.event("note", "audio", 0, text=doubt)
        if not plan.strikes.empty:
            writer.event("burst_begin", "controller", 0, value=0)
        for strike, ticks in enumerate(ticks_of(plan)):
            writer.event("coil_on", "controller", int(ticks), value=0, strike=strike)
        if notes is not None:
            frames = notes.time_s * facts.sample_rate_hz
            for frame, data in zip(frames, notes.data, strict=True):
                bound_ns = round(notes.resolution_s * 1e9)
                writer.event(
                    "midi_message", "audio", float(frame), data=data.hex(), bound_ns=bound_ns
                )
        sink = writer.open_audio(facts.sample_rate_hz, len(columns))
        with soundfile.SoundFile(facts.path) as file:
            for block in file.blocks(BLOCK_FRAMES, dtype="float32", always_2d=True):
                sink.write(block[:, columns])
        writer.close("complete")
