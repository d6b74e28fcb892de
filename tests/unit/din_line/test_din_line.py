"""MIDI read from an audio channel, against lines made by an independent UART and filter chain.

Sources: 31.25 kBd ±1 %, one start, eight data, one stop bit: MIDI 1.0, Hardware (also IEC
63035:2017 4.1). Running status and real-time bytes: MIDI 1.0 (from memory). Filters: SciPy's
Butterworth, elliptic and windowed-sinc designs stand for interfaces of unknown make.
"""

import numpy as np
import pytest
from uart_signal import byte_starts_s, random_line, record

from analysis.din_line import DinLine, decode_line, join
from rig.record.bench_fault import BenchError

RATES_HZ = (44_100, 48_000, 96_000, 192_000)


def pieces(samples, rate_hz):
    """Cut a recording as a reader of a file would, but unevenly."""
    cuts = np.arange(0, len(samples), int(0.37 * rate_hz))[1:]
    return np.split(samples, cuts)


def decoded(recorded, rate_hz):
    """Read a recording in pieces; as many bytes as were sent must come."""
    found, quality = decode_line(pieces(recorded.samples, rate_hz), rate_hz)
    assert len(found) == len(recorded.values)
    return found, quality


def errors_us(found, recorded, rate_hz):
    """Start edges against the truth."""
    return (found.start_frames - recorded.start_frames) / rate_hz * 1e6


@pytest.mark.parametrize("anti_alias", ["fir", "butterworth", "elliptic"])
@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_no_byte_is_wrong_at_25_db(rate_hz, anti_alias):
    """No byte is wrong, at both ends of the baud tolerance, after filters that are not known."""
    for seed, baud in enumerate((31_250 * 0.99, 31_250 * 1.01)):
        rng = np.random.default_rng([seed, rate_hz])
        values, starts_s = random_line(800, baud=baud, rng=rng)
        recorded = record(
            values, starts_s, rate_hz=rate_hz, baud=baud, snr_db=25, anti_alias=anti_alias, rng=rng
        )
        found, quality = decoded(recorded, rate_hz)
        assert np.array_equal(found.values, recorded.values)
        assert quality.baud == pytest.approx(baud, rel=1e-3)
        assert quality.snr_db == pytest.approx(25, abs=4)


@pytest.mark.long
@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_a_million_bytes(rate_hz):
    """Of a million bytes at 25 dB fewer than ten are wrong."""
    wrong = 0
    for seed in range(50):
        rng = np.random.default_rng([seed, rate_hz])
        baud = 31_250 * rng.uniform(0.99, 1.01)
        values, starts_s = random_line(5000, baud=baud, rng=rng)
        anti_alias = ("fir", "butterworth", "elliptic")[seed % 3]
        recorded = record(
            values, starts_s, rate_hz=rate_hz, baud=baud, snr_db=25, anti_alias=anti_alias, rng=rng
        )
        found, _ = decode_line(pieces(recorded.samples, rate_hz), rate_hz)
        if len(found) == len(values):
            wrong += int(np.sum(found.values != values))
        else:
            wrong += abs(len(found) - len(values)) + 1
    assert wrong < 2.5


@pytest.mark.parametrize("anti_alias", ["fir", "elliptic"])
@pytest.mark.parametrize("rate_hz", RATES_HZ[1:])
def test_start_edges_to_a_microsecond(rate_hz, anti_alias):
    """At 35 dB start edges scatter by less than 1 µs, within what is stated, whatever the bits."""
    rng = np.random.default_rng(rate_hz)
    values, starts_s = random_line(1000, baud=31_250, rng=rng)
    recorded = record(values, starts_s, rate_hz=rate_hz, anti_alias=anti_alias, rng=rng)
    found, _ = decoded(recorded, rate_hz)
    error = errors_us(found, recorded, rate_hz)
    assert error.std() < 1.0
    stated = found.u_frames / rate_hz * 1e6
    assert np.all(stated < 1.5)
    assert np.mean(np.abs(error - error.mean()) < 2 * stated) > 0.95
    if anti_alias == "fir":
        # A filter of linear phase, as most converters have, moves nothing.
        assert abs(error.mean()) < 0.3


@pytest.mark.parametrize("inverted", [False, True])
def test_polarity_is_found(inverted):
    """The line is read whichever way round it is plugged in."""
    values = np.array([0x99, 38, 100] * 20)
    starts_s = byte_starts_s([3] * 20, [0.05] * 20)
    recorded = record(values, starts_s, rate_hz=48_000, inverted=inverted)
    found, quality = decoded(recorded, 48_000)
    assert np.array_equal(found.values, values)
    assert quality.inverted is inverted


def test_two_notes_back_to_back_with_running_status_and_clock_between():
    """Two notes without a pause, running status and real-time bytes inside a message are read."""
    message = [0x99, 38, 100, 40, 0xF8, 90, 38, 0xFE, 0]
    values = np.array(message * 30)
    starts_s = byte_starts_s([len(message)] * 30, [0.02] * 30)
    recorded = record(values, starts_s, rate_hz=48_000, snr_db=25)
    found, quality = decoded(recorded, 48_000)
    assert np.array_equal(found.values, values)
    assert quality.doubtful == 0
    assert np.allclose(
        found.end_frames - found.start_frames, 48_000 * 320e-6, rtol=1e-3
    )  # 320 µs a byte at 31,250 baud


def test_a_stream_without_a_pause():
    """Thousands of bytes on end, such as a bulk dump, are read through the high-pass's wander."""
    rng = np.random.default_rng(5)
    values = np.concatenate([np.zeros(1000, int), np.full(1000, 127), rng.integers(0, 128, 1000)])
    recorded = record(values, byte_starts_s([3000], [0.0]), rate_hz=48_000, snr_db=25)
    found, _ = decoded(recorded, 48_000)
    assert np.array_equal(found.values, values)


def test_slow_rise_moves_starts_less_than_stated():
    """A line that rises 2 µs later than it falls stays within three stated uncertainties."""
    values, starts_s = random_line(400, baud=31_250, rng=np.random.default_rng(2))
    recorded = record(values, starts_s, rate_hz=48_000, rise_s=2e-6)
    found, _ = decoded(recorded, 48_000)
    assert np.array_equal(found.values, values)
    stated = found.u_frames / 48_000 * 1e6
    assert np.all(np.abs(errors_us(found, recorded, 48_000)) < 3 * stated)


@pytest.mark.parametrize("snr_db", [20, 16, 14, 12, 9, 6, 0, -10])
def test_a_worse_line_is_refused_or_its_loss_is_stated(snr_db):
    """Below 25 dB a wrong byte is never handed over as sure."""
    rng = np.random.default_rng(snr_db + 100)
    values, starts_s = random_line(1500, baud=31_250, rng=rng)
    recorded = record(values, starts_s, rate_hz=48_000, snr_db=snr_db, rng=rng)
    try:
        found, _ = decode_line(pieces(recorded.samples, 48_000), 48_000)
    except BenchError:
        assert snr_db < 20
        return
    sure = found.start_frames[~found.doubtful], found.values[~found.doubtful]
    nearest = np.abs(sure[0][:, None] - recorded.start_frames).argmin(axis=1)
    assert np.array_equal(recorded.values[nearest], sure[1])
    assert len(sure[0]) > 0.99 * len(values)


def test_a_crackle_spoils_its_neighbours_only():
    """A crackle larger than the line, in the middle of it, costs the bytes that it hits."""
    values = np.array([0x99, 38, 100] * 200)
    starts_s = byte_starts_s([3] * 200, [0.02] * 200)
    recorded = record(values, starts_s, rate_hz=48_000, swing=0.1)
    samples = recorded.samples.copy()
    hit = int(recorded.start_frames[300])
    samples[hit - 40 : hit + 40] += np.random.default_rng(3).uniform(-0.9, 0.9, 80)
    line = DinLine(48_000)
    found = join([*(line.feed(piece) for piece in pieces(samples, 48_000)), line.finish()])
    far = np.abs(found.start_frames - hit) > 200
    truth = np.abs(recorded.start_frames - hit) > 200
    assert np.array_equal(found.values[far], recorded.values[truth])
    assert line.quality.rejected + line.quality.doubtful > 0


def test_a_recording_that_begins_inside_a_byte():
    """Bytes before the line was seen idle are doubtful; after that all are right."""
    values, starts_s = random_line(300, baud=31_250, rng=np.random.default_rng(8), longest=30)
    recorded = record(values, starts_s, rate_hz=96_000)
    cut = int(recorded.start_frames[5]) + 10
    found, _ = decode_line([recorded.samples[cut:]], 96_000)
    sure = ~found.doubtful
    count = int(sure.sum())
    assert count > 200
    assert np.array_equal(found.values[sure], values[-count:])


def test_other_signals_are_refused():
    """Sensor strokes, loud noise and a tone are no MIDI line."""
    rng = np.random.default_rng(4)
    time_s = np.arange(96_000) / 48_000
    strokes = np.exp(-(time_s % 0.1) / 0.02) * np.sin(2 * np.pi * 300 * time_s)
    for samples in (
        rng.normal(0, 0.1, 96_000),
        0.5 * np.sin(2 * np.pi * 3000 * time_s),
        strokes + rng.normal(0, 0.02, 96_000),
    ):
        with pytest.raises(BenchError, match="MIDI line"):
            decode_line([samples], 48_000)


def test_silence_and_nothing_hold_no_bytes():
    """An empty, a silent and a nearly silent recording give no bytes and no invented quality."""
    quiet = np.random.default_rng(1).normal(0, 1e-4, 200_000)
    for recording in ([], [np.zeros(10)], [np.zeros(200_000)], [quiet]):
        found, quality = decode_line(recording, 48_000)
        assert len(found) == 0
        assert np.isnan(quality.snr_db)
        assert quality.inverted is None


def test_bad_input_is_refused():
    """A sample that is not a number, and a sample rate too low, are named."""
    with pytest.raises(BenchError, match="frame 7 "):
        DinLine(48_000).feed(np.where(np.arange(10) == 7, np.nan, 0.0))
    with pytest.raises(BenchError, match="32000"):
        DinLine(32_000)
