"""The audio interface: its clock, its edges between frames, and what it loses."""

import numpy as np
import pytest

from rig.simulation.interface import BLOCK_FRAMES, EdgeLine, edge_table
from rig.simulation.presets import PADS
from rig.simulation.world import World


def _record(world, roles, rate_hz, strikes, until_s):
    """Strike, and give all blocks."""
    source = world.audio_source(rate_hz, roles)
    source.start()
    blocks = []
    for coil, on_s, width_s in strikes:
        world.advance(on_s)
        world.marker(on_s, 2e-4)
        world.coil_on(coil, on_s, on_s + width_s)
        blocks += world.audio_until(on_s)
    return source, blocks + world.audio_until(until_s)


@pytest.mark.parametrize("rate_hz", [48_000, 96_000, 192_000])
def test_edges_lie_between_frames(rate_hz):
    """The area under a band-limited step puts its edge within 0.001 frame of where it fell."""
    for fraction in np.linspace(0.0, 0.99, 12):
        line = EdgeLine(rate_hz, 0.0)
        line.add(100.0 + fraction, 1.0)
        samples = line.render(0, 200).astype(float)
        assert samples[0] == pytest.approx(0.0, abs=1e-6)
        assert samples[-1] == pytest.approx(1.0, abs=1e-6)
        # a step at frame e has 200 - e of its area left, counting each frame as centred
        assert 199.5 - samples.sum() == pytest.approx(100.0 + fraction, abs=1e-3)


@pytest.mark.parametrize("rate_hz", [48_000, 96_000])
def test_edges_are_band_limited(rate_hz):
    """A step's slope, read finely, holds less than -40 dB beyond 0.6 of the sample rate."""
    slope = np.diff(edge_table(rate_hz))
    spectrum = np.abs(np.fft.rfft(slope, 16 * len(slope)))
    beyond = np.fft.rfftfreq(16 * len(slope), 1 / 64) > 0.6
    assert spectrum[beyond].max() < 0.01 * spectrum[0]


def test_edges_are_the_same_in_any_blocks():
    """One line rendered whole or in pieces of 7 to 64 frames is the same to a rounding error."""
    rng = np.random.default_rng(4)
    edges = np.sort(rng.uniform(40.0, 960.0, 60))
    whole, pieces = EdgeLine(96_000, 0.2), EdgeLine(96_000, 0.2)
    for k, edge in enumerate(edges):
        whole.add(edge, 1.0 if k % 2 else -1.0)
        pieces.add(edge, 1.0 if k % 2 else -1.0)
    expected = whole.render(0, 1000)
    found, first = [], 0
    while first < 1000:
        count = min(int(rng.integers(7, 64)), 1000 - first)
        found.append(pieces.render(first, count))
        first += count
    assert np.abs(np.concatenate(found) - expected).max() < 1e-6


@pytest.mark.parametrize("rate_hz", [48_000, 96_000, 192_000])
def test_markers_are_found_where_they_were_sent(rate_hz):
    """By their area, markers lie within 0.3 µs of their true time, on the interface's own clock."""
    world = World(audio_ppm=37.0)
    times = 0.1 + np.arange(12) * 0.0513
    source = world.audio_source(rate_hz, ("marker",))
    source.start()
    for t in times:
        world.advance(float(t))
        world.marker(float(t), 4e-4)
    blocks = world.audio_until(1.0)
    line = np.concatenate([b.samples[:, 0] for b in blocks]).astype(float)
    clock = source.clock
    for t in times:
        # centre of mass of the pulse: the middle of its two edges
        around = slice(int(clock.frame(t)) - 60, int(clock.frame(t + 4e-4)) + 60)
        n = np.arange(around.start, around.stop)
        middle = (line[around] * n).sum() / line[around].sum()
        found_s = clock.start_s + middle / (rate_hz * (1.0 + 37e-6)) - 2e-4
        assert found_s == pytest.approx(t, abs=1.5e-6)


def test_clock_runs_off_by_its_ppm():
    """After 600 s a clock 20 ppm fast is 12 ms ahead (arithmetic: ppm times time)."""
    world = World(audio_ppm=20.0)
    source = world.audio_source(48_000, ("sensor",))
    source.start()
    start_s = source.clock.start_s
    assert source.clock.frame(start_s + 600.0) / 48_000 - 600.0 == pytest.approx(0.012, rel=1e-6)


def test_sensor_channel_holds_the_stroke_at_its_time():
    """Audio of a stroke, read at its true times, is the closed form but for noise and hum."""
    world = World(seed=3)
    source, blocks = _record(world, ("sensor",), 96_000, [(0, 0.1, 3e-3)], 0.5)
    audio = np.concatenate([b.samples[:, 0] for b in blocks])
    sound = world.sounds[0]
    times = source.clock.start_s + np.arange(len(audio)) * source.clock.step_s
    exact = sound.voltage(times - sound.contact.contact_s)
    rest = audio - exact
    figures = world.pad.figures
    rms = np.sqrt(figures.noise_rms**2 + sum(a * a / 2 for _, a in figures.hum))
    assert np.std(rest) == pytest.approx(rms, rel=0.05)
    assert np.abs(exact).max() > 100 * rms


def test_hard_stroke_clips_at_full_scale():
    """Nothing passes full scale, and a sensor driven beyond it sits there."""
    import dataclasses

    pad = dataclasses.replace(PADS["flint-rubber"], full_scale_n=15.0)
    _, blocks = _record(World(pad), ("sensor",), 48_000, [(0, 0.05, 3.3e-3)], 0.3)
    audio = np.concatenate([b.samples for b in blocks])
    assert np.abs(audio).max() == 1.0
    assert (np.abs(audio) == 1.0).sum() > 10


def test_lost_block_is_counted():
    """A block lost at a time is missing, and the next one says how many frames were lost."""
    world = World(drop_audio_at_s=[0.3])
    source, blocks = _record(world, ("sensor",), 48_000, [], 1.0)
    lost = [b for b in blocks if b.dropped_frames]
    assert [b.dropped_frames for b in lost] == [BLOCK_FRAMES]
    k = blocks.index(lost[0])
    assert lost[0].first_frame == blocks[k - 1].end_frame + BLOCK_FRAMES
    gap_s = source.clock.start_s + blocks[k - 1].end_frame * source.clock.step_s
    assert gap_s <= 0.3 < gap_s + BLOCK_FRAMES * source.clock.step_s


def test_din_line_carries_the_bytes():
    """Bytes read from the audio line at the middle of each bit are those that were sent."""
    world = World()
    source, blocks = _record(
        world, ("din_line", "module_out"), 192_000, [(0, 0.1, 3e-3), (1, 0.3, 3e-3)], 0.6
    )
    line = np.concatenate([b.samples[:, 0] for b in blocks])
    sent = [s for s in world.take_din() if s[0] < 0.55]
    assert len(sent) == 3 + 2 + 2 + 2  # running status from the second message on
    for start_s, byte in sent:
        bits = [
            line[round(source.clock.frame(start_s + (k + 0.5) * 32e-6))] > 0.175 for k in range(10)
        ]
        assert bits[0] is np.False_
        assert bits[9] is np.True_
        assert sum(bool(b) << k for k, b in enumerate(bits[1:9])) == byte


def test_module_sounds_after_its_note():
    """The module's own sound begins 3 ms after its loop turn, and not before."""
    world = World()
    source, blocks = _record(world, ("module_out",), 96_000, [(0, 0.1, 3e-3)], 0.5)
    out = np.abs(np.concatenate([b.samples[:, 0] for b in blocks]))
    begins = int(np.argmax(out > 0.01))
    expected = source.clock.frame(world.notes[0].ready_s + 3e-3)
    assert 0 < begins - expected < 30


def test_force_channel_reads_newtons():
    """The reference force sensor's peak is the contact's force over its full scale of 100 N."""
    world = World()
    _, blocks = _record(world, ("force",), 96_000, [(0, 0.1, 3e-3)], 0.4)
    peak_n = 100.0 * max(float(b.samples.max()) for b in blocks)
    assert peak_n == pytest.approx(world.sounds[0].contact.force_n, rel=3e-3)


@pytest.mark.parametrize("roles", [(), ("sensor", "sensr")])
def test_unknown_roles_are_refused(roles):
    """A channel without a known role is an error that names the roles."""
    with pytest.raises(ValueError, match="each role is one of sensor"):
        World().audio_source(48_000, roles)
