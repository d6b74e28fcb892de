"""The module's detector, main loop and wire, against dead-time theory and the MIDI standard."""

import dataclasses
import math

import numpy as np
import pytest
from made_contact import make_contact

from rig.simulation.module import Module
from rig.simulation.module_figures import ModuleFigures
from rig.simulation.pad import Pad
from rig.simulation.presets import PADS, SimulationError, module_figures
from rig.simulation.wire import BYTE_S, DinWire, line_edges

# nothing but the contact itself, so that only the module's dead time decides
DRY = dataclasses.replace(
    PADS["flint-rubber"],
    name="dry",
    ring=1e-6,
    late_share=0.0,
    noise_rms=1e-6,
    hum=(),
    drain_hz=0.01,
)


def _module(seed=1, **figures) -> Module:
    plain = {"release_ms": 0.01, "noise_rms": 1e-6, "note_hold_ms": 0.0}
    return Module(ModuleFigures(name="m", firmware="0", **(plain | figures)), Pad(DRY), seed)


def _play(module: Module, times_s, forces_n=20.0, **changes) -> list:
    sounds = [
        module._pad.sound(make_contact(float(f), float(t), strike=k, **changes))
        for k, (t, f) in enumerate(np.broadcast(times_s, forces_n))
    ]
    for sound in sounds:
        module.hear(sound)
    module.advance(float(np.max(times_s)) + 1.0)
    return module.ports.notes


@pytest.mark.parametrize(
    ("dead_time_ms", "rate_per_s", "kept"),
    [(49, 20, 1), (49, 25, 1 / 2), (49, 40, 1 / 2), (59, 16, 1), (59, 20, 1 / 2), (59, 40, 1 / 3)],
)
def test_periodic_train_keeps_one_in_so_many(dead_time_ms, rate_per_s, kept):
    """A hold-off on a steady roll keeps 1 / ceil(f tau) of it: a roll isn't Poisson (derived).

    Dead times 1 ms short of 50 and 60 ms keep the cases of f tau = 1 off the edge.
    """
    notes = _play(_module(dead_time_ms=dead_time_ms), 0.1 + np.arange(60) / rate_per_s)
    assert len(notes) / 60 == pytest.approx(kept)


def test_poisson_input_follows_the_non_extending_law():
    """Random strokes come out at m = n / (1 + n tau) (Knoll, ch. 4; D1 of dead-time theory).

    n = 40/s, tau = 25 ms: 20/s; within four standard deviations of such a count. The extending law
    would give n exp(-n tau) = 14.7/s.
    """
    rng = np.random.default_rng(3)
    times = np.cumsum(rng.exponential(1 / 40.0, 4000))
    # contacts of 0.25 ms, so that hardly one lies across the end of a dead time
    notes = _play(_module(dead_time_ms=25.0, peak_window_ms=0.5), times, duration_s=0.25e-3)
    rate = len(notes) / times[-1]
    expected = 40.0 / (1.0 + 40.0 * 0.025)
    # 0.2 for those few that do; variance of a non-extending counter's output: m T (1 - m tau)**2
    sd = math.sqrt(expected / times[-1]) * (1.0 - expected * 0.025)
    assert rate == pytest.approx(expected, abs=4 * sd + 0.2)


def test_softer_second_stroke_waits_for_the_re_arming_level():
    """After the dead time a stroke of 1/e of the level is caught one release later, no sooner."""
    for gap_ms, caught in ((10.0, False), (27.0, False), (33.0, True)):
        module = _module(dead_time_ms=10.0, release_ms=20.0)
        times = np.array([0.1, 0.1 + gap_ms * 1e-3])
        notes = _play(module, times, np.array([40.0, 40.0 / math.e]))
        assert [n.strike for n in notes] == ([0, 1] if caught else [0])


def test_strokes_inside_the_dead_time_never_sound():
    """No two notes of a dense train are nearer than the dead time."""
    notes = _play(_module(dead_time_ms=20.0), 0.1 + np.arange(100) * 0.003)
    assert np.diff([n.trigger_s for n in notes]).min() >= 0.0199


def test_polling_adds_a_uniform_delay():
    """A free-running 1 ms loop adds 0.5 ms on average, sd 1/sqrt(12) = 0.2887 ms (arithmetic)."""
    module = _module(poll_jitter_ms=0.0, processing_ms=0.0)
    rng = np.random.default_rng(8)
    times = 0.1 + np.arange(800) * 0.03 + rng.uniform(0.0, 5e-3, 800)
    notes = _play(module, times)
    window_s = round(2.0e-3 / module.step_s) * module.step_s
    delay_ms = np.array([n.ready_s - n.trigger_s - window_s for n in notes]) * 1e3
    assert len(notes) == 800
    assert delay_ms.mean() == pytest.approx(0.5, abs=0.03)
    assert delay_ms.std() == pytest.approx(0.2887, abs=0.015)
    assert delay_ms.min() >= -1e-6
    assert delay_ms.max() <= 1.0 + 1e-6


def test_velocity_is_linear_in_force():
    """With exponent 1 velocity is 1 + 126 F / 50 N within one level from 2 to 48 N."""
    forces = np.linspace(2.0, 48.0, 24)
    notes = _play(_module(), 0.1 + np.arange(24) * 0.2, forces)
    velocities = np.array([n.velocity for n in notes])
    assert np.abs(velocities - (1.0 + 126.0 * forces / 50.0)).max() <= 1.0


@pytest.mark.parametrize("exponent", [0.5, 2.0])
def test_curve_exponent_bends_the_velocity(exponent):
    """Velocity follows the set power of the level, and stays within 1 to 127."""
    module = _module(curve_exponent=exponent)
    full = module.figures.full_level
    levels = np.linspace(0.0, 1.5 * full, 31)
    expected = np.clip(np.round(1 + 126 * (levels / full) ** exponent), 1, 127)
    assert [module.velocity(level) for level in levels] == expected.tolist()


def test_rounding_is_that_of_a_converter_of_seven_bits():
    """A full sine through velocities 1 to 127 keeps 43.9 dB over its rounding, 0.28868 rms.

    6.0206 N + 1.7609 dB for N = 7 (IEEE 1057 and 1241, from memory), of a sine over 128 steps;
    this one runs over 126.
    """
    module = _module(curve_exponent=1.0)
    sine = np.sin(np.arange(2000) * 1.0)
    sent = [module.velocity(module.figures.full_level * (1 + x) / 2) for x in sine]
    error = np.array(sent) - (64 + 63 * sine)
    assert error.std() == pytest.approx(0.28868, rel=0.02)
    ratio_db = 20 * math.log10(63 * sine.std() / error.std())
    assert ratio_db + 20 * math.log10(64 / 63) == pytest.approx(43.905, abs=0.15)


def test_byte_takes_320_us():
    """31,250 baud, ten bits a byte: 320 µs (MIDI 1.0; IEC 63035:2017, 4.1)."""
    assert pytest.approx(320e-6, rel=1e-12) == BYTE_S


@pytest.mark.parametrize(("notes", "wire_ms"), [(1, 0.96), (2, 1.60), (10, 6.72)])
def test_chord_takes_its_time_on_the_wire(notes, wire_ms):
    """Notes at once, n of them, take 320 µs (2n + 1) under running status (arithmetic)."""
    wire = DinWire(running_status=True)
    sent = [wire.send(bytes([0x99, 38 + k, 90]), 1.0) for k in range(notes)]
    assert (sent[-1].end_s - 1.0) * 1e3 == pytest.approx(wire_ms)


def test_running_status_survives_real_time_only():
    """Real-time bytes leave the running status; system common ones end it (MIDI 1.0, memory)."""
    wire = DinWire(running_status=True)
    note = bytes([0x99, 38, 90])
    assert wire.send(note, 0.0).wire_bytes == note
    assert wire.send(b"\xfe", 0.0).wire_bytes == b"\xfe"
    assert wire.send(note, 0.0).wire_bytes == note[1:]
    wire.send(b"\xf6", 0.0)
    assert wire.send(note, 0.0).wire_bytes == note


def test_edges_of_a_byte_are_8n1():
    """0x55 has an edge at each of its bits; 0xFF only those of its start bit (8N1 framing)."""
    alternating = line_edges(0.0, 0x55)
    assert [round(t / 32e-6) for t, _ in alternating] == list(range(10))
    assert line_edges(0.0, 0xFF) == [(0.0, -1), (32e-6, 1)]
    assert all(sum(d for _, d in line_edges(0.0, b)) == 0 for b in range(256))


def test_bytes_come_when_their_stop_bit_has_ended():
    """A byte is handed out 320 µs after its start bit, once, and the note's bytes are whole."""
    module = _module(note_hold_ms=50.0)
    _play(module, np.array([0.1]))
    note = module.ports.notes[0]
    assert list(module.ports.take_din(note.end_s - 1e-5))[-1][1] == 38
    rest = list(module.ports.take_din(note.end_s + 1e-9))
    assert rest == [(pytest.approx(note.end_s - BYTE_S), note.velocity)]
    off = [b for _, b in module.ports.take_din(1.0)]
    assert off == [38, 0]  # the note's end as velocity 0, under running status


def test_host_sees_a_note_after_the_next_usb_frame():
    """A message reaches the host at the next 1 ms frame (USB 2.0), or up to 0.3 ms after it."""
    notes = _play(_module(), 0.1 + np.arange(50) * 0.0317)
    delay_ms = np.array([n.host_s - n.ready_s for n in notes]) * 1e3
    assert delay_ms.min() > 0.0
    assert delay_ms.max() < 1.3
    assert len({round(d, 3) for d in delay_ms}) > 10


def test_active_sensing_keeps_its_distance():
    """The sensing module sends FE at most 300 ms apart (MIDI 1.0, table 1)."""
    module = Module(module_figures("tarn"), Pad(PADS["loam-mesh"]), 1)
    module.advance(5.0)
    times = [t for t, byte in module.ports.take_din(5.0) if byte == 0xFE]
    assert len(times) >= 16
    assert np.diff(times).max() < 0.3


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ({"name": "broook"}, "did you mean 'brook'"),
        ({"name": "brook", "firmware": "9.9"}, "there is 1.3, 1.4, 1.5"),
        ({"name": "brook", "faults": ["doubel"]}, "did you mean 'double'"),
        ({"name": "brook", "settings": {"gain": 1.0}}, "did you mean 'gain_db'"),
    ],
)
def test_unknown_names_are_answered_with_the_nearest(arguments, said):
    """A module, firmware, fault or setting that isn't there is named with what there is."""
    with pytest.raises(SimulationError, match=said):
        module_figures(**arguments)
