"""A recorded run, ready to be analysed."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from rig.record.bench_fault import BadFileError
from rig.record.bench_file import Midi, StrikerFacts
from rig.record.run_folder import RunReader
from rig.record.run_records import Status

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Samples = npt.NDArray[np.float32]

BLOCK_FRAMES = 1 << 16
MARKER_WIDTHS_US = (200.0, 400.0, 600.0, 800.0)
"""Widths of the markers of coils 0, 1, 2, and of one alone: ``markers_us`` of the message table."""
FALLBACK_FLIGHT_S = 0.008
ALONE = 3
"""Code of a marker that goes with no coil."""


@dataclasses.dataclass(frozen=True)
class Recording:
    """What a run folder holds, as the analysis uses it.

    Attributes
    ----------
    path, status, faults
        Of the run folder; faults are those that can be lived with.
    sample_rate_hz, frame_count, roles
        Of the audio; ``roles``: role to column.
    strikes, bursts
        The plan.
    events
        All events.
    struck_zone_note, zones, midi_channel
        Note of the zone that is struck; note to zone; channel of the module.
    strikers
        Striker's identity to what the bench file says of it.
    midi
        What the bench file says of where notes come in.
    reader
        The run folder itself.
    """

    path: Path
    status: Status
    faults: tuple[str, ...]
    sample_rate_hz: int
    frame_count: int
    roles: dict[str, int]
    strikes: pd.DataFrame
    bursts: pd.DataFrame
    events: pd.DataFrame
    zones: dict[int, str]
    struck_zone_note: int
    midi_channel: int
    strikers: dict[str, StrikerFacts]
    midi: Midi
    reader: RunReader

    @property
    def duration_s(self) -> float:
        """Length of the recording."""
        return self.frame_count / self.sample_rate_hz

    @property
    def sources(self) -> tuple[str, ...]:
        """Where notes come from, as the start record has it."""
        return self.reader.start.sources

    @property
    def gaps(self) -> Ints:
        """(gaps, 2) first frame lost and frames lost, of the audio."""
        rows = self.of_kind("audio_gap")
        return rows[["stamp_int", "value"]].to_numpy(dtype=np.int64)

    @property
    def imported(self) -> bool:
        """No board took part: a recording from outside."""
        return self.reader.start.limits is None

    def of_kind(self, *kinds: str) -> pd.DataFrame:
        """Events of some kinds, in order."""
        return self.events[self.events["kind"].isin(kinds)]

    def blocks(self) -> Iterator[tuple[int, Samples]]:
        """Audio in order: first frame, and samples (frames, channels). Flat in memory.

        Read it within the reader's ``same_sound``, so that a changed one is refused.
        """
        yield from self.reader.audio.blocks(BLOCK_FRAMES)

    def flights_s(self, strikes: pd.DataFrame) -> Floats:
        """Time from coil to contact that the bench file gives for each strike, roughly."""
        flights = np.full(len(strikes), FALLBACK_FLIGHT_S)
        names, widths = strikes["striker"].to_numpy(), strikes["width_us"].to_numpy(dtype=float)
        for name, facts in self.strikers.items():
            mine = names == name
            flights[mine] = facts.flight_ms / 1e3
            known = facts.calibration
            if known is not None and len(known.flights_ms) == len(known.widths_us):
                some = mine & np.isfinite(widths)
                flights[some] = np.interp(widths[some], known.widths_us, known.flights_ms) / 1e3
        return flights

    def markers_sent(self) -> tuple[Ints, Ints]:
        """Ticks and codes of all markers that the board sent; none without a marker channel."""
        if "marker" not in self.roles:
            return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
        rows = self.of_kind("coil_on", "marker")
        codes = np.where(rows["kind"] == "marker", ALONE, rows["value"]).astype(np.int64)
        return rows["stamp_int"].to_numpy(dtype=np.int64), codes


def load_run(path: Path | str) -> Recording:
    """Open a run folder for analysis.

    Raises
    ------
    BadFileError
        It can't be read or trusted, or holds no sensor channel: all faults in one go.
    """
    return recording_of(RunReader.open(path))


def recording_of(reader: RunReader) -> Recording:
    """Ready an open run folder for analysis; else as ``load_run``."""
    audio, bench, module = reader.audio, reader.bench, reader.specimen.module
    if "sensor" not in audio.roles:
        raise BadFileError(
            [
                f"{reader.path}: no channel has the role sensor (found: "
                f"{', '.join(sorted(audio.roles)) or 'none'}); onsets come from nothing else. Name "
                "the sensor's channel in the bench file"
            ]
        )
    return Recording(
        path=reader.path,
        status=reader.status,
        faults=tuple(reader.faults),
        sample_rate_hz=audio.sample_rate_hz,
        frame_count=audio.frame_count,
        roles=dict(audio.roles),
        strikes=reader.plan.strikes,
        bursts=reader.plan.bursts,
        events=reader.events,
        zones={zone.note: zone.id for zone in module.zones},
        struck_zone_note=module.zones[0].note,
        midi_channel=module.midi_channel,
        strikers={striker.id: striker for striker in bench.strikers},
        midi=bench.midi,
        reader=reader,
    )
