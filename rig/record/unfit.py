"""What a protocol asks for beyond strokes that a bench can't do: conditions to watch, recording."""

from __future__ import annotations

from collections.abc import Sequence

from rig.record.bench_file import BenchFile
from rig.record.endurance import Record, Stop
from rig.record.flac_frames import MOST_CHANNELS


def unwatchable(stop: Stop, bench: BenchFile, used: Sequence[str]) -> list[str]:
    """Tell every condition that this bench can't watch with these strikers: a sentence each."""
    reasons = []
    if stop.lost_share_percent is not None and not bench.midi.board_din:
        reasons.append(
            "stop.lost_share_percent: the bench's board_din is false, and lost strokes are counted "
            "by the notes at the board's input while a run goes on; connect it, or leave the "
            "condition out"
        )
    if stop.coil_warmer_than_c is not None:
        reasons += [
            f"stop.coil_warmer_than_c: striker {one.id!r} has no heat_capacity_j_per_k in the "
            "bench file, without which its coil's warmth can't be told; give it, or leave the "
            "condition out"
            for one in bench.strikers
            if one.id in used and one.heat_capacity_j_per_k is None
        ]
    return reasons


def unrecordable(record: Record, bench: BenchFile) -> list[str]:
    """Tell what this bench can't record as asked: a sentence each."""
    faults = []
    if record.keep == "windows" and not (bench.midi.board_din or bench.midi.host_port):
        faults.append(
            'record.keep = "windows" in the protocol: notes come from an audio channel alone, and '
            "much of it would not be kept. Connect the module to the board or to a MIDI port, or "
            'keep "all"'
        )
    channels = len(bench.audio.channels)
    if record.coding == "flac" and channels > MOST_CHANNELS:
        faults.append(
            f'record.coding = "flac" in the protocol: the bench file names {channels} audio '
            f"channels, and a FLAC file holds {MOST_CHANNELS} at the most; record fewer, or leave "
            "the coding at rf64"
        )
    return faults
