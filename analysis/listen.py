"""One pass over a run's audio: onsets of the sensor, edges of the markers, bytes of the line."""

from __future__ import annotations

import dataclasses

import numpy as np
import numpy.typing as npt

from analysis import din_bytes
from analysis.din_bytes import DinBytes
from analysis.din_line import DinLine
from analysis.load import MARKER_WIDTHS_US, Recording
from analysis.marker import MarkerEdges, MarkerFinder
from analysis.onset import OnsetFinder, Onsets
from rig.record.bench_fault import BenchError

AROUND_S = 0.06
"""Audio looked at again to either side of a strike whose onset was not found."""


@dataclasses.dataclass
class Heard:
    """What was heard. ``line`` is None where no line was recorded or it can't be read.

    ``line_fault`` says why it can't; ``sounds``: where the module's own sounds begin, if its output
    was recorded.
    """

    onsets: Onsets
    edges: MarkerEdges
    line: DinBytes | None
    line_fault: str
    noise_rms: float
    finder: OnsetFinder
    sounds: Onsets | None = None


def listen(recording: Recording) -> Heard:
    """Read the audio once, in blocks; memory does not grow with the run's length."""
    roles, rate = recording.roles, recording.sample_rate_hz
    # of the sensor of a recording from outside nothing is known
    onsets = OnsetFinder(rate, planned=len(recording.strikes) > 0, contact=not recording.imported)
    markers = MarkerFinder(rate, MARKER_WIDTHS_US) if "marker" in roles else None
    line = DinLine(rate) if "din_line" in roles else None
    # a module's sounds need not ring alike
    sounds = OnsetFinder(rate, modes=False) if "module_out" in roles else None
    pieces: list[DinBytes] = []
    fault = ""
    if line is not None and recording.reader.audio.windows is not None:
        fault, line = "the recorded MIDI line isn't read: only windows of it were kept", None
    heard_to = 0
    with recording.reader.same_sound():
        for first, samples in recording.blocks():
            if first > heard_to:
                onsets.pass_over(first - heard_to)
                if markers is not None:
                    markers.pass_over(first - heard_to)
            heard_to = first + len(samples)
            onsets.feed(samples[:, roles["sensor"]])
            if markers is not None:
                markers.feed(samples[:, roles["marker"]])
            if sounds is not None:
                sounds.feed(samples[:, roles["module_out"]])
            if line is not None:
                try:
                    pieces.append(line.feed(samples[:, roles["din_line"]]))
                except BenchError as error:
                    fault, line = str(error), None
    if line is not None:
        try:
            pieces.append(line.finish())
        except BenchError as error:
            fault, line = str(error), None
    found = onsets.finish()
    return Heard(
        onsets=found,
        edges=markers.finish() if markers is not None else MarkerFinder(rate, ()).finish(),
        line=din_bytes.join(pieces) if line is not None else None,
        line_fault=fault,
        noise_rms=float(np.median(onsets.noise_rms)) if onsets.noise_rms else np.nan,
        finder=onsets,
        sounds=sounds.finish() if sounds is not None else None,
    )


def listen_again(
    recording: Recording, heard: Heard, expected_s: npt.NDArray[np.float64], within_s: float
) -> Onsets:
    """Look again, more closely, about the times at which strikes should have landed.

    Returns the onsets found within ``within_s`` of an expected time.
    """
    rate = recording.sample_rate_hz
    sensor = recording.roles["sensor"]
    parts: list[Onsets] = []
    for at_s in expected_s:
        first = max(int((at_s - AROUND_S) * rate), 0)
        samples = recording.reader.audio.window(first, int(2 * AROUND_S * rate))[:, sensor]
        kept = np.flatnonzero(np.isfinite(samples))
        if len(kept):
            # across what was not kept the sound is held, so that no step is heard there
            at = np.arange(len(samples))
            held = np.interp(at, kept, samples[kept])
            parts.append(heard.finder.look_again(held, first, [at_s * rate], within_s))
    return Onsets.join(parts)
