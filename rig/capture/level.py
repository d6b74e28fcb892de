"""Level of each channel: what is noise, how hard was the hardest tap, and is there head room."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import numpy.typing as npt

from rig.record.full_scale import CLIP_LEVEL

_BLOCK_S = 0.02
_QUIET_SHARE = 0.2
_LEAST_HEAD_ROOM_DB = 3.0
_LEAST_SPAN_DB = 30.0


def dbfs(amplitude: float) -> float:
    """Level of a peak value over full scale; −inf for nothing."""
    return 20 * math.log10(amplitude) if amplitude > 0 else -math.inf


@dataclasses.dataclass(frozen=True, kw_only=True)
class ChannelLevel:
    """Level of one channel.

    Attributes
    ----------
    noise_dbfs
        RMS of the quieter fifth of 20 ms blocks, a steady offset taken out; 0 dBFS is the RMS of a
        full-scale sine (AES17, from memory). NaN before the first block, −inf for digital silence.
    peak_dbfs
        Highest sample over full scale.
    clipped
        Samples at full scale.
    """

    noise_dbfs: float
    peak_dbfs: float
    clipped: int

    def sentence(self) -> str:
        """Say it plainly, with what to do."""
        if math.isnan(self.noise_dbfs):
            return "nothing has come yet"
        if math.isinf(self.peak_dbfs):
            return "digital silence: nothing is plugged in here, or the input is off"
        noise = "none" if math.isinf(self.noise_dbfs) else f"{_signed(self.noise_dbfs)} dBFS"
        text = f"noise {noise}; hardest tap {_signed(self.peak_dbfs)} dBFS; "
        if self.clipped:
            bad = f"{self.clipped} samples at full scale, or no numbers"
            return text + f"CLIPPED ({bad}): turn the gain down"
        text += f"head room {-self.peak_dbfs:.0f} dB"
        if -self.peak_dbfs < _LEAST_HEAD_ROOM_DB:
            return text + ": turn the gain down a little"
        if self.peak_dbfs - self.noise_dbfs < _LEAST_SPAN_DB:
            return text + ": little above noise; tap harder, or turn the gain up"
        return text


def _signed(level_db: float) -> str:
    return f"{level_db:.0f}".replace("-", "−")


class LevelMeter:
    """Collects levels over blocks of audio.

    Parameters
    ----------
    sample_rate_hz, channel_count
        Of the audio.
    """

    def __init__(self, sample_rate_hz: float, channel_count: int) -> None:
        self._block = max(2, int(_BLOCK_S * sample_rate_hz))
        self._rest = np.empty((0, channel_count), dtype=np.float32)
        self._powers: list[npt.NDArray[np.float64]] = []
        self._peaks = np.zeros(channel_count)
        self._clipped = np.zeros(channel_count, dtype=np.int64)

    def take(self, samples: npt.NDArray[np.float32]) -> None:
        """Take samples, shape (frames, channels); those that are not numbers count as clipped."""
        if len(samples) == 0:
            return
        size = np.abs(np.nan_to_num(samples, nan=1.0, posinf=1.0, neginf=1.0))
        self._peaks = np.maximum(self._peaks, size.max(axis=0))
        self._clipped += np.sum(size >= CLIP_LEVEL, axis=0)
        joined = np.concatenate([self._rest, samples])
        whole = len(joined) // self._block * self._block
        self._rest = joined[whole:]
        if whole:
            blocks = joined[:whole].reshape(-1, self._block, joined.shape[1]).astype(np.float64)
            self._powers.append(np.nan_to_num(blocks.var(axis=1), nan=1.0))

    def levels(self) -> list[ChannelLevel]:
        """Level of each channel up to now."""
        if self._powers:
            powers = np.concatenate(self._powers)
            noise = np.quantile(powers, _QUIET_SHARE, axis=0)
        else:
            noise = np.full(len(self._peaks), np.nan)
        return [
            ChannelLevel(
                noise_dbfs=math.nan if math.isnan(power) else dbfs(math.sqrt(2 * power)),
                peak_dbfs=dbfs(float(peak)),
                clipped=int(clipped),
            )
            for power, peak, clipped in zip(noise, self._peaks, self._clipped, strict=True)
        ]
