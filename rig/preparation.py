"""A run prepared without hardware: planned, and checked against limits and disk."""

from __future__ import annotations

import dataclasses
from pathlib import Path

from rig.capture.free_space import no_room
from rig.record.dry_run import DryRun, dry_run
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
        Everything that the strikers, the bench or the disk can't do, in one go.
    """
    limits = limits_from_bench(files.bench)
    dry = dry_run(files.protocol, files.bench, limits=limits, seed=seed)
    faults = list(dry.refusals)
    if out_folder is not None:
        audio = files.bench.audio
        faults += no_room(out_folder, dry.duration_s, audio.sample_rate_hz, len(audio.channels))
    if faults:
        raise PlanError(faults)
    return Prepared(
        files=files,
        dry=dry,
        limits=limits,
        seed=files.protocol.seed if seed is None else seed,
    )
