"""The cautions before the first arming on a real bench, at a real terminal."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
from pathlib import Path

from bench_runs import shipped

KEY = "simulated bench / /dev/ttyNOPE"


def run_at_terminal(folder: Path, answer: str) -> tuple[int, str]:
    """Run on a bench whose port isn't there, somebody answering; exit code, and what was shown."""
    bench = folder / "bench.toml"
    bench.write_text(
        shipped("benches", "simulated").replace("sim://bench?seed=1", "/dev/ttyNOPE"), "utf-8"
    )
    near, far = pty.openpty()
    os.write(near, answer.encode())
    try:
        done = subprocess.run(
            [
                *(sys.executable, "-m", "rig.cli.main", "run", "demo", "--bench", str(bench)),
                *("--specimen", "good_build", "--out", str(folder / "run"), "--quiet"),
            ],
            stdin=far,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
            env=os.environ | {"XDG_STATE_HOME": str(folder / "state")},
        )
    finally:
        os.close(near)
        os.close(far)
    return done.returncode, done.stdout + done.stderr


def test_cautions_are_shown_once_and_their_acceptance_kept(tmp_path: Path) -> None:
    """Declined: nothing is armed, nothing kept. Accepted: kept with its time, and not asked again."""
    kept = tmp_path / "state" / "strikebench" / "cautions.json"
    code, shown = run_at_terminal(tmp_path, "n\n")
    assert code != 0
    assert "Solenoids pinch" in shown
    assert "not accepted; nothing was armed" in shown
    assert not kept.exists()
    code, shown = run_at_terminal(tmp_path, "y\n")
    assert code != 0
    assert "Solenoids pinch" in shown
    assert "/dev/ttyNOPE" in shown.split("Go on?")[1]
    assert list(json.loads(kept.read_text("utf-8"))) == [KEY]
    code, shown = run_at_terminal(tmp_path, "")
    assert code != 0
    assert "Solenoids pinch" not in shown
    assert not (tmp_path / "run").exists()
