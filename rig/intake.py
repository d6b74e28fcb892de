"""What comes in besides the board's events: audio and host MIDI, into the record as it comes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import cast

import numpy as np

from rig.capture.audio import InterfaceAudio
from rig.capture.audio_block import AudioSource, MidiSource
from rig.capture.free_space import require_room_left
from rig.capture.midi import PortMidi
from rig.faults import FaultError
from rig.link.transport import Port, PortClock
from rig.record.bench_fault import BenchError
from rig.record.bench_file import BenchFile, Midi
from rig.record.run_folder import RecordingSink, RunWriter

FROM_BOARD = "board"
"""Name of a device or host port in the bench file that comes with the board's port."""

STALLED_S = 2.0
"""An audio input that gives nothing for so long has stopped."""

_PAD_FRAMES = 1 << 16
_ROOM_EVERY_S = 5.0


def open_audio_source(bench: BenchFile, port: Port) -> AudioSource:
    """Open the audio input that the bench file names.

    Raises
    ------
    BenchError
        It is not there, or the port brings no inputs.
    """
    audio = bench.audio
    if audio.device != FROM_BOARD:
        return InterfaceAudio(audio)
    make = cast(
        "Callable[[int, Sequence[str]], AudioSource] | None", getattr(port, "audio_source", None)
    )
    if make is None:
        raise BenchError(
            'Opening the audio input: device = "board" in the bench file, but this board\'s port '
            "brings no audio inputs. Name the audio interface."
        )
    channels = sorted(audio.channels, key=lambda channel: channel.number)
    return make(audio.sample_rate_hz, [channel.role for channel in channels])


def open_midi_source(midi: Midi, port: Port) -> MidiSource | None:
    """Open the host MIDI port that the bench file names; None if it names none."""
    if not midi.host_port:
        return None
    if midi.host_port != FROM_BOARD:
        return PortMidi(midi.host_port)
    make = cast("Callable[[], MidiSource | None] | None", getattr(port, "midi_source", None))
    source = make() if make is not None else None
    if source is None:
        raise BenchError(
            'Opening the host MIDI port: host_port = "board" in the bench file, but this board\'s '
            "port brings none. Give the exact name of a MIDI port."
        )
    return source


class Intake:
    """Carries audio and host MIDI into the record.

    Parameters
    ----------
    writer
        The open run.
    audio, midi
        Sources; the audio is started by ``start``.
    clock
        Of the port.
    """

    def __init__(
        self, writer: RunWriter, audio: AudioSource, midi: MidiSource | None, clock: PortClock
    ) -> None:
        self._writer = writer
        self._audio = audio
        self._midi = midi
        self._clock = clock
        self._sink: RecordingSink = writer.open_audio(audio.sample_rate_hz, audio.channel_count)
        self._last_s = 0.0
        self._started_s = 0.0
        self._room_asked_s = 0.0
        self._sensor = writer.start.audio.roles.get("sensor", 0)
        self._energy = 0.0
        self.frames_lost = 0

    @property
    def recorded_s(self) -> float:
        """Length of the recording so far."""
        return self._sink.frames_written / self._audio.sample_rate_hz

    def start(self) -> None:
        """Start the recording."""
        self._audio.start()
        self._started_s = self._last_s = self._clock.monotonic_s()

    def take(self) -> None:
        """Take what has come, never waiting.

        Raises
        ------
        FaultError
            The audio input has stopped.
        BenchError
            The audio or MIDI device is gone, or the disk is nearly full.
        """
        now_s = self._clock.monotonic_s()
        for block in self._audio.read():
            self._last_s = now_s
            lost = block.first_frame - self._sink.frames_written
            if lost > 0:
                self._pad(lost)
            self._sink.write(block.samples)
            if len(block.samples):
                # of the sound alone: an offset is none of it
                own = block.samples[:, self._sensor]
                self._energy += float(own.var(dtype=np.float64)) * len(own)
        if now_s - self._room_asked_s > _ROOM_EVERY_S:
            self._room_asked_s = now_s
            require_room_left(self._writer.path)
        if now_s - self._last_s > STALLED_S:
            raise FaultError(
                "host.audio_lost",
                "Recording audio",
                f"nothing came for {now_s - self._last_s:.1f} s",
            )
        if self._midi is not None:
            for host_s, message in self._midi.read():
                self._writer.event("midi_in", "host", round(host_s * 1e9), data=message.hex())

    def take_energy(self) -> float:
        """Sum of the squares of the sensor's samples since the last call."""
        energy, self._energy = self._energy, 0.0
        return energy

    def _pad(self, lost: int) -> None:
        self._writer.event("audio_gap", "audio", self._sink.frames_written, value=lost)
        self.frames_lost += lost
        while lost:
            piece = min(lost, _PAD_FRAMES)
            self._sink.write(np.zeros((piece, self._audio.channel_count), dtype=np.float32))
            lost -= piece

    def finish(self, wait_s: float) -> None:
        """Wait until the recording covers the present, ``wait_s`` at most; then stop it."""
        wanted_s = self._clock.monotonic_s() - self._started_s
        until_s = self._clock.monotonic_s() + wait_s
        self.take()
        while self.recorded_s < wanted_s and self._clock.monotonic_s() < until_s:
            self._clock.sleep_s(0.05)
            self.take()
        self._tell_midi()
        self.close()

    def _tell_midi(self) -> None:
        """Note what the host's MIDI port lost or could not read."""
        lost, malformed = (getattr(self._midi, name, 0) for name in ("lost", "malformed"))
        if lost or malformed:
            self._writer.event(
                "note",
                "host",
                round(self._clock.monotonic_s() * 1e9),
                text=f"host MIDI: {lost} messages lost for want of room, {malformed} malformed",
            )

    def close(self) -> None:
        """Let go of the sources; errors of a device that is gone are passed over."""
        try:
            self._audio.stop()
        except BenchError:
            pass
        finally:
            if self._midi is not None:
                self._midi.close()
