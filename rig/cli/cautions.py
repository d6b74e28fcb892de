"""The cautions, shown before the first arming on a bench; that they were accepted is kept."""

from __future__ import annotations

import datetime
import json
import os
import sys
from pathlib import Path

import typer

from rig.cli.console import told
from rig.record.bench_fault import BenchError
from rig.record.bench_file import BenchFile

CAUTIONS = """Before this bench strikes for the first time:
  - Solenoids pinch. Keep hands, hair and tools away from the strikers while the coil supply is on.
  - Coils and drivers burn. Let them cool before you touch them.
  - Impacts are loud. Wear hearing protection; hard strokes at arm's length can harm in minutes.
  - A coil that is switched off answers with a high voltage: don't touch the live wiring.
  - The e-stop's own contacts must break the coil supply. This program and the firmware are no
    safety devices. Try the e-stop now, before you go on.
  - rig/SAFETY.md says more. The codes and the licensed practice of your place come first."""

_SIMULATED = "sim://"


class CautionsNotAcceptedError(BenchError):
    """Nobody has accepted the cautions for this bench."""


def state_folder() -> Path:
    """Folder in which this user's program keeps what it must remember."""
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA", Path.home() / "AppData" / "Local"))
    else:
        base = Path(os.environ.get("XDG_STATE_HOME", Path.home() / ".local" / "state"))
    return base / "strikebench"


def require_accepted(bench: BenchFile) -> None:
    """Show the cautions unless they were accepted for this bench; a simulated one has none.

    Raises
    ------
    CautionsNotAcceptedError
        They were declined, or nobody is at the terminal to accept them.
    """
    if bench.board.port.startswith(_SIMULATED):
        return
    path = state_folder() / "cautions.json"
    key = f"{bench.name} / {bench.board.serial_number or bench.board.port}"
    accepted = _read(path)
    if key in accepted:
        return
    told.print(CAUTIONS)
    if not sys.stdin.isatty():
        raise CautionsNotAcceptedError(
            f"the cautions for {key!r} have not been accepted on this account, and nobody is at "
            "the terminal: run once by hand and accept them"
        )
    if not typer.confirm("I have read this, and the e-stop works. Go on?"):
        raise CautionsNotAcceptedError("the cautions were not accepted; nothing was armed")
    accepted[key] = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(accepted, indent=1) + "\n", encoding="utf-8")


def _read(path: Path) -> dict[str, str]:
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        # a lost or spoilt record only means that they are shown again
        return {}
    return {str(k): str(v) for k, v in content.items()} if isinstance(content, dict) else {}
