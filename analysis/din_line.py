"""MIDI read from an audio channel: a DIN line recorded beside the sensor, with the same clock.

The line is serial, 31,250 baud ±1 %, one start bit, eight data bits with the least significant
first, one stop bit (MIDI 1.0, Hardware). Two passes: bit centres of each byte against the middle
of the line's swing; then all decoded edges are laid as band-limited steps, and what remains of
the recording corrects start, baud and, if need be, bits. Baseline and slope are projected out of
each byte, so that the interface's high-pass does no harm.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from analysis.din_bytes import DinBytes, LineQuality, join, no_bytes
from analysis.line_edges import extremes, falling_edges, starts_after_silence
from analysis.line_fit import LineState, fit_bytes
from analysis.line_model import EdgeTable, Equaliser, Floats, interpolate, oversample
from rig.record.bench_fault import BenchError

BAUD = 31_250
LEAST_RATE_HZ = 44_100
_BITS = np.arange(10)
_LEAST_MARGIN = 0.4
"""A bit nearer to the middle (0) than this is doubtful; 1 is a clean bit."""
_MOST_ERROR = 0.35
"""RMS of what the model leaves of a byte, over half of the swing, above which it is no byte."""
LEAST_SNR_DB = 17.0
"""Found by simulation: no wrong byte in some thousands down to 16 dB, some at 14 dB."""
_MOST_UNREAD_SWING = 0.02
"""Peak to peak, full scale ±1: a silent channel's noise stays below this (-46 dBFS RMS or so)."""
_LEAST_SWING = 1e-3
"""Peak to peak, full scale ±1: less than this is no line."""
_SHAPE_U_S = 0.7e-6
"""Standard uncertainty of an edge for rise times that differ from fall times: up to 2 µs of
difference move a start by 1.2 to 1.6 µs (found by simulation; rectangular ±1.2 µs)."""


class DinLine:
    """A decoder that is fed a recording piece by piece.

    Parameters
    ----------
    sample_rate_hz
        At least 44,100.

    Raises
    ------
    BenchError
        The sample rate is too low to tell bits apart.
    """

    def __init__(self, sample_rate_hz: float) -> None:
        if not sample_rate_hz >= LEAST_RATE_HZ:
            raise BenchError(
                f"reading a MIDI line from an audio channel: its sample rate is {sample_rate_hz:g} "
                f"Hz, and {LEAST_RATE_HZ} Hz is the least; record at 48000 Hz or more"
            )
        self._oversampling = 2 if sample_rate_hz < 88_000 else 1
        self._grid_hz = sample_rate_hz * self._oversampling
        self._bit = self._grid_hz / BAUD
        self._table = EdgeTable(self._oversampling)
        self._piece_frames = int(2 * sample_rate_hz)
        self._waiting: list[npt.NDArray[np.floating]] = []
        self._waiting_frames = 0
        self._first_frame = 0  # of what waits
        self._sign = 0.0
        self._half_swing = np.nan
        self._resume = 0.0  # grid position from which the next start is looked for
        self._sure_from = np.inf
        self._before = np.empty(0)  # starts and values of the last bytes, for their edges
        self._before_values = np.empty(0, np.int64)
        self._weight = 0.0
        self._decoded = self._doubtful = self._rejected = 0
        self._error_sum = 0.0
        self._unread_swing = 0.0
        self._equaliser = Equaliser()

    @property
    def quality(self) -> LineQuality:
        """How well the line was read up to now."""
        error = np.sqrt(self._error_sum / self._decoded) if self._decoded else np.nan
        return LineQuality(
            decoded=self._decoded,
            doubtful=self._doubtful,
            rejected=self._rejected,
            snr_db=float(-20 * np.log10(error)),
            swing=float(2 * self._half_swing),
            baud=self._grid_hz / self._bit if self._decoded else np.nan,
            inverted=self._sign < 0 if self._sign else None,
        )

    def feed(self, samples: npt.NDArray[np.floating]) -> DinBytes:
        """Take the next samples, shape (frames,), and give the bytes that became sure of them.

        Raises
        ------
        BenchError
            A sample is not a number.
        """
        if not np.isfinite(samples).all():
            bad = self._first_frame + self._waiting_frames + int(np.argmin(np.isfinite(samples)))
            raise BenchError(f"reading a MIDI line: frame {bad} of the recording is not a number")
        self._waiting.append(samples)
        self._waiting_frames += len(samples)
        if self._waiting_frames < self._piece_frames:
            return no_bytes()
        return self._decode(final=False)

    def finish(self) -> DinBytes:
        """Give the bytes that were still waiting.

        Raises
        ------
        BenchError
            No MIDI line stands on this channel, or it is too noisy for its bytes to be sure;
            what was given before is not to be used then.
        """
        last = self._decode(final=True) if self._waiting_frames else no_bytes()
        quality = self.quality
        doing = "reading a MIDI line from an audio channel: "
        remedy = (
            "see that the bench file names the right channel, and that its level is neither "
            "clipped nor near noise"
        )
        if not self._decoded and self._unread_swing > _MOST_UNREAD_SWING:
            raise BenchError(
                f"{doing}no byte can be read, though the channel moves by "
                f"{self._unread_swing:.3g} of full scale within a byte's time; {remedy}"
            )
        if self._rejected > max(3, self._decoded // 10):
            raise BenchError(
                f"{doing}{self._decoded} bytes and {self._rejected} starts that are no byte were "
                f"found, and at most one in ten may be; {remedy}"
            )
        if quality.snr_db < LEAST_SNR_DB:
            raise BenchError(
                f"{doing}half of its swing is {quality.snr_db:.1f} dB above noise, and "
                f"{LEAST_SNR_DB:g} dB is the least at which bytes are sure; {remedy}"
            )
        return last

    def _decode(self, *, final: bool) -> DinBytes:
        frames = np.concatenate(self._waiting).astype(np.float64)
        origin = float(self._first_frame * self._oversampling)
        # A byte is taken when it ends this side of the last samples, where filters reach no more.
        tail = 2 if final else self._table.half_samples + 60
        limit = len(frames) * self._oversampling - 10.2 * self._bit - tail
        held = np.concatenate([frames, np.full(int(20 * self._bit), frames[-1])])
        found = self._read(held, origin, limit) if self._sign else self._learn(held, origin, limit)
        keep = max(0, int((limit - 40 * self._bit) / self._oversampling))
        self._resume = max(self._resume, origin + limit)
        self._waiting = [] if final else [frames[keep:]]
        self._first_frame += len(frames) if final else keep
        self._waiting_frames = 0 if final else len(frames) - keep
        return found

    def _grid(self, frames: Floats) -> Floats:
        """The line, idle high, on a grid fine enough for interpolation by cubics."""
        line = self._sign * self._equaliser.apply(frames)
        return oversample(line) if self._oversampling == 2 else line

    def _learn(self, frames: Floats, origin: float, limit: float) -> DinBytes:
        """Find swing, polarity and the interface's filter: the largest swing that can be read.

        A crackle may be larger than the line, so smaller swings are tried too.
        """
        grid = oversample(frames) if self._oversampling == 2 else frames
        high, low = extremes(grid, self._bit)
        spread = (high - low)[:: max(1, int(2 * self._bit))]
        level = float(spread.max())
        fresh = dict(vars(self))
        while level > _LEAST_SWING:
            near = spread[(spread > 0.6 * level) & (spread <= level)]
            level *= 0.6
            if len(near) == 0:
                continue
            self._half_swing = float(np.median(near)) / 2
            up, down = (self._sure_starts(sign * grid) for sign in (-1.0, 1.0))
            for _ in range(3):  # each round with the equaliser of the one before
                learnt = (self._equaliser, self._half_swing, self._bit)
                vars(self).update(fresh)
                self._equaliser, self._half_swing, self._bit = learnt
                self._sign = 1.0 if down >= up else -1.0
                found = self._read(frames, origin, limit)
                if self._rejected > max(3, len(found)) or len(found) == 0:
                    break
            else:
                return found
            vars(self).update(fresh, _equaliser=Equaliser())
        self._unread_swing = max(self._unread_swing, float(np.median(spread)))
        return no_bytes()

    def _sure_starts(self, line: Floats) -> int:
        at, previous, _ = falling_edges(line, self._bit, self._half_swing)
        return len(starts_after_silence(at, previous, self._bit))

    def _read(self, frames: Floats, origin: float, limit: float) -> DinBytes:
        line = self._grid(frames)
        at, previous, middle = falling_edges(line, self._bit, self._half_swing)
        silent = starts_after_silence(at, previous, self._bit)
        if len(silent):
            self._sure_from = min(self._sure_from, origin + silent[0])
        centre = np.clip(np.rint(at + 5 * self._bit).astype(np.int64), 0, len(line) - 1)
        start, stop = (interpolate(line, at + (k + 0.5) * self._bit) for k in (0, 9))
        framed = (start < middle[centre]) & (stop > middle[centre])
        chosen, rejected = self._chain(at, framed, limit, self._resume - origin)
        at, middles = at[chosen], middle[centre[chosen]]
        self._rejected += rejected
        if len(at) == 0:
            return no_bytes()
        inside = at[:, None] + (_BITS[1:9] + 0.5) * self._bit
        bits = interpolate(line, inside) > middles[:, None]
        return self._refine(line, frames, at, bits, origin)

    def _chain(
        self, at: Floats, framed: npt.NDArray[np.bool_], limit: float, resume: float
    ) -> tuple[npt.NDArray[np.int64], int]:
        """Follow byte after byte: the next start is the first falling edge after the data bits."""
        after = np.searchsorted(at, at + 9 * self._bit).tolist()
        good = framed.tolist()
        here = int(np.searchsorted(at, resume))
        end = int(np.searchsorted(at, limit))
        chosen = []
        rejected = 0
        while here < end:
            if good[here]:
                chosen.append(here)
                here = after[here]
            else:
                rejected += 1
                here += 1
        return np.array(chosen, dtype=np.int64), rejected

    def _refine(
        self,
        line: Floats,
        frames: Floats,
        at: Floats,
        bits: npt.NDArray[np.bool_],
        origin: float,
    ) -> DinBytes:
        earlier = len(self._before)
        fit = fit_bytes(
            line,
            self._table,
            LineState(self._half_swing, self._bit, self._weight),
            np.concatenate([self._before - origin, at]),
            np.concatenate([(self._before_values[:, None] >> np.arange(8) & 1) > 0, bits]),
            earlier,
        )
        self._half_swing, self._bit, self._weight = fit.state
        good = fit.error < _MOST_ERROR
        self._rejected += int(np.sum(~good))
        if not good.any():
            return no_bytes()
        at, error = fit.at[good], fit.error[good]
        self._equaliser.learn(
            self._sign * frames,
            fit.model[:: self._oversampling],
            fit.first[good] // self._oversampling,
            fit.width // self._oversampling,
        )
        noise = float(np.sqrt(np.mean(error**2))) * self._half_swing
        # The grid holds no more information than the recording.
        spread = noise * np.sqrt(self._oversampling / fit.information[good])
        doubtful = (fit.margin[good] < _LEAST_MARGIN) | (origin + at < self._sure_from - 1)
        values = (fit.bits[good] @ (1 << np.arange(8))).astype(np.uint8)
        self._decoded += len(at)
        self._doubtful += int(doubtful.sum())
        self._error_sum += float(np.sum(error**2))
        self._before, self._before_values = origin + at[-8:], values[-8:].astype(np.int64)
        self._resume = max(self._resume, origin + at[-1] + 9 * self._bit)
        start_frames = (origin + at) / self._oversampling
        shape_frames = _SHAPE_U_S * self._grid_hz / self._oversampling
        return DinBytes(
            values,
            start_frames,
            start_frames + 10 * self._bit / self._oversampling,
            np.hypot(spread / self._oversampling, shape_frames),
            doubtful,
        )


def decode_line(
    pieces: Iterable[npt.NDArray[np.floating]], sample_rate_hz: float
) -> tuple[DinBytes, LineQuality]:
    """Read a whole recording, piece by piece; one channel, shape (frames,) each.

    Raises
    ------
    BenchError
        As :class:`DinLine`. An empty recording, or a silent one, gives no bytes.
    """
    line = DinLine(sample_rate_hz)
    found = [line.feed(piece) for piece in pieces]
    found.append(line.finish())
    return join(found), line.quality
