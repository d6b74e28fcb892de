"""Gathers what the start record holds, the versions of the software among it."""

from __future__ import annotations

import importlib.metadata
import platform
import shutil
import subprocess
import uuid
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from rig.record.bench_file import BenchFile
from rig.record.limits import AgreedLimits
from rig.record.protocol import Protocol
from rig.record.run_records import AudioFacts, StartRecord, utc_now
from rig.record.specimen import Specimen

_PACKAGES = ("strikebench", "numpy", "scipy", "pandas", "soundfile", "msgspec", "pyserial")


def make_start(
    protocol: Protocol,
    bench: BenchFile,
    specimen: Specimen,
    *,
    sources: Sequence[str],
    limits: AgreedLimits | None = None,
    board: Mapping[str, Any] | None = None,
    port: str = "",
    seed: int | None = None,
) -> StartRecord:
    """Fill a start record from the three files and what the board said.

    Parameters
    ----------
    protocol, bench, specimen
        As read.
    sources
        Where notes come from: board_din, host, din_line, import.
    limits, board, port
        As echoed by the board, its identity, and where it was found; none of them for an import.
    seed
        Of the plan; the protocol's own if not given.
    """
    force = [channel for channel in bench.audio.channels if channel.role == "force"]
    return StartRecord(
        run_id=uuid.uuid4().hex,
        created_utc=utc_now(),
        software=software_versions(),
        protocol_name=protocol.name,
        bench_name=bench.name,
        pad_name=specimen.pad.name,
        module_name=specimen.module.name,
        module_firmware=specimen.module.firmware,
        audio=AudioFacts(
            sample_rate_hz=bench.audio.sample_rate_hz,
            roles=audio_roles(bench),
            newtons_per_full_scale=force[0].newtons_per_full_scale if force else None,
            record=protocol.record,
        ),
        sources=tuple(sources),
        limits=limits,
        board=dict(board or {}),
        port=port,
        seed=protocol.seed if seed is None else seed,
        calibrated=all(striker.calibration is not None for striker in bench.strikers),
    )


def audio_roles(bench: BenchFile) -> dict[str, int]:
    """Role to column of the recording: the bench's channels in order of their numbers.

    Inputs that the bench file does not name are not recorded.
    """
    channels = sorted(bench.audio.channels, key=lambda channel: channel.number)
    return {channel.role: column for column, channel in enumerate(channels)}


def software_versions() -> dict[str, str | bool | None]:
    """Give the versions of what takes part, and of this program's sources where git knows them.

    ``revision`` and ``dirty`` (sources changed since) are None outside a git checkout.
    """
    versions: dict[str, str | bool | None] = {"python": platform.python_version()}
    versions["system"] = f"{platform.system()} {platform.release()} {platform.machine()}"
    for package in _PACKAGES:
        try:
            versions[package] = importlib.metadata.version(package)
        except importlib.metadata.PackageNotFoundError:
            versions[package] = None
    versions["revision"] = versions["dirty"] = None
    root = Path(__file__).parents[2]
    if (root / ".git").exists() and shutil.which("git"):
        revision = _git(root, "rev-parse", "HEAD")
        changed = _git(root, "status", "--porcelain", "--untracked-files=no")
        if revision is not None and changed is not None:
            versions["revision"] = revision
            versions["dirty"] = bool(changed)
    return versions


def _git(root: Path, *arguments: str) -> str | None:
    try:
        done = subprocess.run(
            ["git", "-C", str(root), *arguments], capture_output=True, text=True, timeout=10
        )
    except (OSError, subprocess.TimeoutExpired):
        return None
    return done.stdout.strip() if done.returncode == 0 else None
