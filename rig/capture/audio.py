"""Audio from an interface of this computer.

The callback only copies into a ring and counts; everything else is the reader's work. Frames that
the audio system loses are told by it without their number, so that their number is taken from the
host clock: callbacks come late, never early, hence the least delay among some of them tells.
"""

from __future__ import annotations

import atexit
import collections
import threading
import time
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from rig.capture.audio_block import AudioBlock
from rig.capture.devices import find_audio_input, hushed
from rig.capture.late_import import load_sounddevice
from rig.capture.ring import SampleRing
from rig.record.bench_fault import BenchError
from rig.record.bench_file import Audio

MOST_CHANNELS = 16
_RING_S = 8.0
_SILENCE_S = 2.0
"""A device that gives nothing for so long is gone."""
_CLOSE_S = 3.0
_BEFORE, _AFTER = 64, 16
"""Callbacks whose least delay is compared before and after an overflow."""


class AudioStamp(NamedTuple):
    """A callback: its first frame on the audio clock, and when it came on the host clock."""

    frame: int
    host_s: float


class InterfaceAudio:
    """One audio interface; an ``AudioSource``.

    Parameters
    ----------
    audio
        Device, host API, sample rate and channels of the bench file. Columns of the blocks are its
        channels in order of their numbers.

    Attributes
    ----------
    overflows
        Times that the audio system said it had lost frames.
    frames_lost
        Frames lost since the start: told by the audio system and sized by the host clock, or for
        which the ring had no room.
    stamps
        The last callbacks, for mapping frames to the host clock.

    Raises
    ------
    BenchError
        The device is not there, lacks inputs, or does not take the sample rate.
    """

    def __init__(self, audio: Audio, *, ring_s: float = _RING_S) -> None:
        numbers = sorted(channel.number for channel in audio.channels)
        if not 1 <= len(numbers) <= MOST_CHANNELS:
            raise BenchError(
                f"opening the audio device: {len(numbers)} channels are named in the bench file; "
                f"1 to {MOST_CHANNELS} are allowed"
            )
        self.device = find_audio_input(audio.device, audio.host_api)
        if numbers[0] < 1 or numbers[-1] > self.device.channels:
            raise BenchError(
                f"opening {self.device}: the bench file names channel {numbers[-1]} (and from "
                f"{numbers[0]}); channels count from 1 to {self.device.channels}"
            )
        self.sample_rate_hz = audio.sample_rate_hz
        self.channel_count = len(numbers)
        self._columns = np.array(numbers) - 1
        self._pick = None if list(self._columns) == list(range(numbers[-1])) else self._columns
        self._sounddevice = load_sounddevice()
        self._settings: dict[str, Any] = {
            "device": self.device.index,
            "channels": numbers[-1],
            "dtype": "float32",
            "samplerate": audio.sample_rate_hz,
        }
        try:
            with hushed():
                self._sounddevice.check_input_settings(**self._settings)
        except self._sounddevice.PortAudioError as error:
            raise BenchError(
                f"opening {self.device} at {audio.sample_rate_hz} Hz with {numbers[-1]} channels: "
                f"the audio system says: {error}; set the interface to this rate, or the bench "
                "file to its own"
            ) from error
        self._ring = SampleRing(int(ring_s * self.sample_rate_hz), self.channel_count)
        self._stream: Any = None
        self._failure: BaseException | None = None
        self._flagged: collections.deque[int] = collections.deque()
        self.stamps: collections.deque[AudioStamp] = collections.deque(maxlen=4096)
        self._last_came_s = 0.0
        self._held: list[tuple[int, npt.NDArray[np.float32]]] = []
        self._next_frame = 0
        self._raw_frame = 0  # without what the audio system lost
        self._loss_sized = 0
        self.overflows = 0
        self.frames_lost = 0

    def start(self) -> None:
        """Open the stream and record from now on."""
        try:
            self._stream = self._sounddevice.InputStream(
                callback=self._came, latency="high", **self._settings
            )
            self._last_came_s = time.monotonic()
            self._stream.start()
        except self._sounddevice.PortAudioError as error:
            self._stream = None
            raise BenchError(
                f"starting {self.device}: the audio system says: {error}; see that no other "
                "program holds it"
            ) from error

    def _came(self, samples: Any, frames: int, _times: Any, status: Any) -> None:
        now_s = time.monotonic()
        try:
            at = self._ring.frames_offered
            if status and at:  # what was lost before the first frame is no loss
                self._flagged.append(at)
            self.stamps.append(AudioStamp(at, now_s))
            self._last_came_s = now_s
            self._ring.write(samples if self._pick is None else samples[:, self._pick])
        except BaseException as error:
            self._failure = error
            raise self._sounddevice.CallbackAbort from error

    def read(self) -> list[AudioBlock]:
        """Give what has come since the last call; a gap waits until its length can be told.

        Raises
        ------
        BenchError
            The device is gone, or the callback failed; all that came before has been given.
        """
        self._held += self._ring.take()
        over = self._is_over()
        blocks = self._blocks(final=over is not None)
        if over is not None and not blocks:
            raise BenchError(over)
        return blocks

    def _is_over(self) -> str | None:
        if self._stream is None:
            return f"reading {self.device}: it has not been started, or was stopped"
        if self._failure is not None:
            return f"reading {self.device}: taking samples failed: {self._failure!r}"
        silent_s = time.monotonic() - self._last_came_s
        if not self._stream.active or silent_s > _SILENCE_S:
            return (
                f"reading {self.device}: it is gone; the last samples came {silent_s:.1f} s ago. "
                "Look at its plug and power, then start again"
            )
        return None

    def _blocks(self, *, final: bool) -> list[AudioBlock]:
        blocks: list[AudioBlock] = []
        while self._held:
            lost, samples = self._held.pop(0)
            first = self._raw_frame + lost
            place = self._flagged[0] if self._flagged else None
            if place is not None and place <= first:
                more = self._sized_loss(place, final=final)
                if more is None:
                    self._held.insert(0, (lost, samples))
                    return blocks
                self._flagged.popleft()
                self.overflows += 1
                self._loss_sized += more
                self._held.insert(0, (lost, samples))
                continue
            if place is not None and place < first + len(samples):
                self._held.insert(0, (0, samples[place - first :]))
                samples = samples[: place - first]
            self._raw_frame = first + len(samples)
            lost += self._loss_sized
            self._loss_sized = 0
            self.frames_lost += lost
            first = self._next_frame + lost
            blocks.append(AudioBlock(first_frame=first, samples=samples, dropped_frames=lost))
            self._next_frame = blocks[-1].end_frame
        return blocks

    def _sized_loss(self, place: int, *, final: bool) -> int | None:
        """Frames lost before ``place``, at least 1; None while too little has come to tell."""
        rate = self.sample_rate_hz
        delays = [(stamp.frame, stamp.host_s - stamp.frame / rate) for stamp in list(self.stamps)]
        before = [delay for frame, delay in delays if frame < place][-_BEFORE:]
        after = [delay for frame, delay in delays if frame >= place][:_AFTER]
        if len(after) < _AFTER and not final:
            return None
        if not before or not after:
            return 1
        return max(1, round((min(after) - min(before)) * rate))

    def stop(self) -> None:
        """End the recording.

        The audio system may hang in closing a device that is gone; it is then left behind, and
        ends with the program.
        """
        stream, self._stream = self._stream, None
        if stream is None:
            return
        closer = threading.Thread(target=_close, args=(stream,), daemon=True)
        closer.start()
        closer.join(_CLOSE_S)
        if closer.is_alive():
            # Its own good-bye at the program's end would hang as well.
            atexit.unregister(self._sounddevice._exit_handler)
            _LEFT_BEHIND.append(stream)


_LEFT_BEHIND: list[Any] = []


def _close(stream: Any) -> None:
    stream.abort(ignore_errors=True)
    stream.close(ignore_errors=True)
