"""A note's way into the computer: how late the host stamps it, and how sure that is.

The exchanges that tie the host's clock to the board's can't see it. Where nothing has measured the
way, its delay is known by bounds alone.
"""

from __future__ import annotations

import dataclasses
import math

from analysis.budget import Part
from rig.record.bench_file import Midi

HOST_PATH = "host's path"
"""Name of its part in the timing budget."""


@dataclasses.dataclass(frozen=True)
class HostPath:
    """What is taken off each of the host's stamps, and what stays unsure.

    Attributes
    ----------
    delay_s
        Taken off each stamp; 0 where nothing has measured it.
    shared_u_s, jitter_s
        Standard uncertainties: of the delay that all notes share, and of each note's own.
    late_at_most_s
        Bound of a delay that nothing has measured, and that is in each time still; else 0.
    remark
        Sentence that belongs beside each latency.
    day
        Of the run that the notes are of, YYYY-MM-DD; empty if not known.
    """

    delay_s: float
    shared_u_s: float
    jitter_s: float
    late_at_most_s: float
    remark: str
    day: str = ""

    @property
    def measured(self) -> bool:
        """Whether the bench file holds a measured path."""
        return self.late_at_most_s == 0.0

    @property
    def u_s(self) -> float:
        """Standard uncertainty of one note's time by this path."""
        return math.hypot(self.shared_u_s, self.jitter_s)

    @property
    def parts(self) -> dict[str, Part]:
        """Parts of the timing budget, in us."""
        if not self.measured:
            why = "path of a note into the computer, not measured: known by its bounds alone"
            return {HOST_PATH: (self.shared_u_s * 1e6, why)}
        return {
            HOST_PATH: (self.shared_u_s * 1e6, "of the delay that was measured"),
            "stamp of the note": (self.jitter_s * 1e6, "jitter of the path that was measured"),
        }


def late_u_s(at_most_s: float) -> float:
    """Give the standard uncertainty of a time that is late by 0 to ``at_most_s``, all as likely.

    The root of the mean square of the delay, a/√3: its variance a²/12 (JCGM 100:2008, 4.3.7) and
    the square of its mean a/2.
    """
    return at_most_s / math.sqrt(3.0)


def host_path(midi: Midi, day: str = "") -> HostPath:
    """Give the path of a bench file, measured or not; ``day`` is that of the run.

    A delay that nothing has measured is not taken off, but stays as uncertainty.
    """
    known = midi.host_path
    if known is None:
        bound_ms = midi.host_delay_at_most_ms
        return HostPath(
            delay_s=0.0,
            shared_u_s=late_u_s(bound_ms * 1e-3),
            jitter_s=0.0,
            late_at_most_s=bound_ms * 1e-3,
            remark=(
                "notes are stamped by this computer, and nothing has measured how late: every "
                f"latency holds the delay of that path too, taken to be between 0 and {bound_ms:g} "
                "ms, and its interval reaches down by as much. Record the module's DIN port in the "
                "same run to measure the path"
            ),
            day=day,
        )
    when = f"on {known.date}" if known.date else "before, on a day that the bench file lacks"
    return HostPath(
        delay_s=known.delay_ms * 1e-3,
        shared_u_s=known.delay_uncertainty_ms * 1e-3,
        jitter_s=known.jitter_ms * 1e-3,
        late_at_most_s=0.0,
        remark=(
            f"notes are stamped by this computer; the path's own delay of {known.delay_ms:.3g} ms "
            f"was measured {when}, and is taken off"
        ),
        day=day,
    )
