"""A program: hours of capture in virtual time; prints its resident memory as it goes, in MB.

``capture_hours.py FOLDER HOURS KEEP``: the simulated bench's sound and events through intake and
writer, a stroke twice a second.
"""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

from bench_runs import files

from rig.intake import Intake
from rig.record.plan import make_plan
from rig.record.run_folder import RunWriter, make_start
from rig.simulation.world import World

STEP_S, STROKE_S, FLUSH_S, TELL_S = 0.25, 0.5, 15.0, 60.0

PROTOCOL = """
format = 1
name = "hours"
purpose = "capture alone"

[record]
keep = "KEEP"

[[stage]]
name = "hours"
pattern = "idle"
duration_s = 1
"""


class VirtualClock:
    """Time that passes when it is told to."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def monotonic_s(self) -> float:
        """Return the present."""
        return self.now_s

    def sleep_s(self, seconds: float) -> None:
        """Let time pass."""
        self.now_s += seconds


def resident_mb() -> float:
    """Memory of this process that is in the machine's."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def main(folder: Path, hours: float, keep: str) -> None:
    """Capture."""
    made = files(PROTOCOL.replace("KEEP", keep))
    clock, world = VirtualClock(), World(seed=3)
    world.keeps_truth = False
    audio = made.bench.audio
    source = world.audio_source(audio.sample_rate_hz, [one.role for one in audio.channels])
    start = make_start(made.protocol, made.bench, made.specimen, sources=["board_din"])
    plan = make_plan(made.protocol, made.bench)
    memory: list[float] = []
    strokes = 0
    with RunWriter.create(
        folder,
        start=start,
        plan=plan,
        protocol_text=made.protocol_text,
        bench_text=made.bench_text,
        specimen_text=made.specimen_text,
    ) as writer:
        intake = Intake(writer, source, None, clock)
        intake.start()
        for step in range(1, round(hours * 3600 / STEP_S) + 1):
            if step % round(STROKE_S / STEP_S) == 0:
                on_s = clock.now_s + 0.05
                world.coil_on(0, on_s, on_s + 2.6e-3)
                world.marker(on_s, 200e-6)
                writer.event("coil_on", "controller", round(on_s * 2e6), value=0)
                strokes += 1
            clock.sleep_s(STEP_S)
            world.advance(clock.now_s)
            for at_s, byte in world.take_din():
                writer.event("din_byte", "controller", round(at_s * 2e6), value=byte)
            world.take_impacts()
            world.take_host_midi()
            intake.take()
            if step % round(FLUSH_S / STEP_S) == 0:
                writer.flush()
            if step % round(TELL_S / STEP_S) == 0:
                memory.append(resident_mb())
        writer.close("complete")
    print(json.dumps({"strokes": strokes, "seconds": clock.now_s, "resident_mb": memory}))


if __name__ == "__main__":
    main(Path(sys.argv[1]), float(sys.argv[2]), sys.argv[3])
