"""Makes a run folder out of a take from outside, so that the same analysis reads it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile

from rig.capture.take import BLOCK_FRAMES, BadTakeError, TakeAudio, look_at_audio
from rig.capture.take_files import bench_text, protocol_text, specimen_text
from rig.capture.take_notes import TakeNotes, read_notes
from rig.capture.take_plan import read_strikes, ticks_of
from rig.record.bench_fault import BadFileError
from rig.record.loaders import find_file, parse_bench, parse_protocol, parse_specimen
from rig.record.plan import Plan
from rig.record.plan_csv import empty_plan
from rig.record.run_folder import RunWriter, make_start
from rig.record.toml_file import read_text


def bring_in(
    *,
    audio: Path,
    sensor_channel: int,
    marker_channel: int | None,
    midi: Path | None,
    strikes: Path | None,
    specimen: Path | str | None,
    out: Path,
    protocol: Path | str | None = None,
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
    protocol
        Protocol file whose limits the take is held to; its stages are those of the plan. Without
        one no limit is asked.

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
    asked, asked_text = None, ""
    if protocol is not None:
        try:
            asked_text = read_text(find_file(protocol, ""))
            asked = parse_protocol(asked_text, str(protocol))
        except BadFileError as error:
            faults += error.faults
    plan, more = (
        read_strikes(strikes, facts.duration_s if facts else None, asked)
        if strikes is not None
        else (empty_plan(), [])
    )
    faults += more
    notes: TakeNotes | None = None
    if midi is not None:
        notes, more = read_notes(midi)
        faults += more
    under_test = specimen_text(notes)
    if specimen is not None:
        try:
            under_test = read_text(find_file(specimen, "specimens"))
            parse_specimen(under_test, str(specimen))
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
    doubts = _what_cannot_be_told(plan, notes, marker_channel is not None)
    if sensor_channel in facts.like_markers:
        doubts.insert(
            0,
            f"channel {sensor_channel} jumps to one side, as a marker does and a struck sensor "
            "doesn't: check --sensor-channel.",
        )
    texts = (
        asked_text or protocol_text(plan, facts),
        bench_text(facts, channels),
        under_test,
    )
    _write(facts, channels, plan, notes, texts, out, doubts)
    return out, doubts


def _what_cannot_be_told(plan: Plan, notes: TakeNotes | None, marked: bool) -> list[str]:
    doubts = []
    if plan.strikes.empty:
        doubts.append(
            "no plan: the onsets stand alone. Strokes that made no sound on the sensor, forces, "
            "rates and gaps can't be told. Strokes up to 0.1 s after another are told by what lone "
            "strokes of the take sound like: at least three of each kind must stand alone."
        )
    elif not marked:
        doubts.append(
            "no marker channel: the plan is fitted to the onsets, so the flight of the striker "
            "can't be told from the offset of the clocks. Latencies do not depend on it."
        )
    if not plan.strikes.empty and not np.isfinite(plan.strikes["force_n"]).any():
        doubts.append("no forces: how velocity goes with force can't be told.")
    if (plan.strikes["pattern"] == "").any():
        doubts.append(
            "strikes closer than 0.1 s whose pattern is not said: no rate, gap or velocity is "
            "measured of them. Give pattern (roll, flam, buzz, single) in the plan, or a protocol."
        )
    if notes is None:
        doubts.append("no notes: only the sensor is measured; nothing is said of the module.")
        return doubts
    if notes.on_count == 0:
        doubts.append("no note begins in the file of notes: nothing is said of the module.")
    return [*doubts, *notes.remarks]


def _write(
    facts: TakeAudio,
    channels: dict[str, int],
    plan: Plan,
    notes: TakeNotes | None,
    texts: tuple[str, str, str],
    out: Path,
    doubts: list[str],
) -> None:
    protocol, bench, specimen = texts
    start = make_start(
        parse_protocol(protocol, "protocol.toml"),
        parse_bench(bench, "bench.toml"),
        parse_specimen(specimen, "specimen.toml"),
        sources=("import",),
    )
    # the recording holds the channels that have a role, in order of their numbers
    columns = [channels[role] - 1 for role in sorted(channels, key=lambda role: channels[role])]
    with RunWriter.create(
        out,
        start=start,
        plan=plan,
        protocol_text=protocol,
        bench_text=bench,
        specimen_text=specimen,
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
