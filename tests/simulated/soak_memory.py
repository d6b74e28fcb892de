"""A program: a soak on the simulated bench; prints its resident memory as it goes, in MB.

``soak_memory.py FOLDER STROKES``.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from bench_runs import run_short
from capture_hours import resident_mb

from rig.progress import Progress

STEP = 1000
PROTOCOL = """
format = 1
name = "soak"
purpose = "memory alone"

[record]
keep = "windows"

[[stage]]
name = "soak"
pattern = "single"
forces_n = [4, 8, 16]
order = "shuffled"
repeats = REPEATS
interval_ms = 300
interval_spread_ms = 30
"""


def main(folder: Path, strokes: int) -> None:
    """Strike."""
    memory: list[float] = []

    def look(progress: Progress) -> None:
        if progress.strikes_done >= STEP * (len(memory) + 1):
            memory.append(resident_mb())

    protocol = PROTOCOL.replace("REPEATS", str(strokes // 3))
    result = run_short(folder, protocol=protocol, progress=look)
    # its truth is written by now
    memory.append(resident_mb())
    print(json.dumps({"outcome": result.outcome, "resident_mb": memory}))


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
