"""A run prepared without hardware: planned, and checked against limits and disk."""

from __future__ import annotations

import dataclasses
from pathlib import Path

from rig.capture.free_space import require_free_space
from rig.ending import require_watchable
from rig.record.bench_fault import BenchError
from rig.record.dry_run import DryRun, dry_run
from rig.record.flac_frames import MOST_CHANNELS
from rig.record.limits import AgreedLimits, limits_from_bench
from rig.record.plan import Plan, PlanError
from rig.run_files import RunFiles


@dataclasses.dataclass(frozen=True, kw_only=True)
class Prepared:
    """A run that may start.

    Attributes
    ----------
    files
        What it is made from.
    dry
        The plan, checked against the strikers' limits: nothing is refused.
    limits
        What the board will be asked for.
    seed
        Of the plan.
    """

    files: RunFiles
    dry: DryRun
    limits: AgreedLimits
    seed: int

    @property
    def plan(self) -> Plan:
        """What will be struck."""
        return self.dry.plan


def prepare(
    files: RunFiles, *, seed: int | None = None, out_folder: Path | str | None = None
) -> Prepared:
    """Plan a run and check it against limits and disk. No hardware is touched.

    Parameters
    ----------
    files
        What is asked for.
    seed
        Of the plan; the protocol's own if not given.
    out_folder
        Where the run folder will be made; its disk is checked for room if given.

    Raises
    ------
    PlanError
        Everything that the strikers can't do.
    BenchError
        The disk has no room.
    """
    limits = limits_from_bench(files.bench)
    dry = dry_run(files.protocol, files.bench, limits=limits, seed=seed)
    if not dry.allowed:
        raise PlanError(dry.refusals)
    used = list(dry.plan.strikes["striker"].unique())
    require_watchable(files.protocol.stop, files.bench, used)
    _require_notes(files)
    _require_coding(files)
    if out_folder is not None:
        audio = files.bench.audio
        require_free_space(out_folder, dry.duration_s, audio.sample_rate_hz, len(audio.channels))
    return Prepared(
        files=files,
        dry=dry,
        limits=limits,
        seed=files.protocol.seed if seed is None else seed,
    )


def _require_notes(files: RunFiles) -> None:
    """Raise BenchError where notes would come from sound that is not kept."""
    midi = files.bench.midi
    if files.protocol.record.keep == "windows" and not (midi.board_din or midi.host_port):
        raise BenchError(
            'record.keep = "windows" in the protocol: notes come from an audio channel alone, and '
            "much of it would not be kept. Connect the module to the board or to a MIDI port, or "
            'keep "all"'
        )


def _require_coding(files: RunFiles) -> None:
    """Raise BenchError where the recording can't be coded as asked."""
    channels = len(files.bench.audio.channels)
    if files.protocol.record.coding == "flac" and channels > MOST_CHANNELS:
        raise BenchError(
            f'record.coding = "flac" in the protocol: the bench file names {channels} audio '
            f"channels, and a FLAC file holds {MOST_CHANNELS} at the most; record fewer, or leave "
            "the coding at rf64"
        )
