"""The whole simulated bench: the same at any slicing of time, and true to its presets."""

import collections
import json

import numpy as np
import pytest

from rig.simulation.presets import PADS, SimulationError, module_figures
from rig.simulation.truth import truth_path
from rig.simulation.world import World
from rig.simulation.world_options import read_world

WIDTHS_S = np.linspace(2.08e-3, 3.8e-3, 60)  # about 2 to 40 N


def strike_all(world, widths_s, gap_s=0.25, seed=3):
    """Strike with both coils in turn; then two seconds of silence."""
    rng = np.random.default_rng(seed)
    for k, width_s in enumerate(widths_s):
        on_s = world.now_s + gap_s + rng.uniform(0.0, 0.01)
        world.advance(on_s)
        world.coil_on(k % 2, on_s, on_s + float(width_s))
    world.advance(world.now_s + 2.0)
    return world


def outcome(world):
    """Return contacts, contacts without a note, and contacts with more than one."""
    per = collections.Counter(n.strike for n in world.notes if n.note == 38)
    strikes = [s.contact.strike for s in world.sounds]
    lost = [k for k in strikes if per[k] == 0]
    return len(strikes), len(lost), len([k for k in strikes if per[k] > 1])


@pytest.mark.parametrize("module", ["brook", "tarn"])
@pytest.mark.parametrize("pad", PADS)
def test_good_build_catches_every_stroke_once(pad, module):
    """At 2 to 40 N each stroke of the good build yields one note, at three places of each pad."""
    for position in (0.0, 0.4, 0.9):
        world = World(PADS[pad], module_figures(module), position=position)
        strike_all(world, WIDTHS_S)
        forces = [s.contact.force_n for s in world.sounds]
        assert min(forces) < 3.0
        assert max(forces) > 35.0
        assert outcome(world) == (60, 0, 0)
        assert {n.reason for n in world.notes} == {"stroke"}


def test_bad_build_doubles_on_the_late_peak():
    """Firmware 1.5 doubles most strokes on the mesh, because its dead time ends too soon."""
    world = strike_all(World(module=module_figures("brook", "1.5")), WIDTHS_S)
    count, lost, doubles = outcome(world)
    assert (count, lost) == (60, 0)
    assert doubles > 50
    assert collections.Counter(n.reason for n in world.notes)["late peak"] > 50


def test_slow_build_is_late():
    """Firmware 1.3 polls every 4 ms: 2.6 ms later on average than 1.4, and less steady."""
    late = {}
    for firmware in ("1.3", "1.4"):
        world = strike_all(World(module=module_figures("brook", firmware)), WIDTHS_S)
        onset = {s.contact.strike: s.onset_s for s in world.sounds}
        late[firmware] = np.array([n.end_s - onset[n.strike] for n in world.notes]) * 1e3
    assert late["1.3"].mean() - late["1.4"].mean() == pytest.approx(2.6, abs=0.4)
    assert late["1.3"].std() > 2 * late["1.4"].std()
    assert late["1.4"].max() < 7.0


@pytest.mark.parametrize(
    ("fault", "shows"),
    [
        ("double", lambda w, lost, doubles, reasons: doubles > 50),
        ("lost_soft", lambda w, lost, doubles, reasons: 5 < lost < 40),
        ("stray", lambda w, lost, doubles, reasons: reasons["noise"] >= 1),
        ("crosstalk", lambda w, lost, doubles, reasons: reasons["crosstalk"] > 30),
    ],
)
def test_faults_show(fault, shows):
    """Each fault shows itself in the notes, and the bench knows why each note came."""
    figures = module_figures("brook", faults=[fault])
    world = strike_all(World(PADS["loam-mesh-rim"], figures, seed=2), WIDTHS_S)
    _, lost, doubles = outcome(world)
    assert shows(world, lost, doubles, collections.Counter(n.reason for n in world.notes))


def test_grown_dead_time_loses_fast_rolls_only():
    """A dead time of 52 ms catches 16 strokes/s and loses every other of 30 strokes/s."""
    kept = {}
    for rate in (16.0, 30.0):
        world = World(module=module_figures("brook", faults=["dead_time_grown"]))
        strike_all(world, np.full(48, 2.6e-3), gap_s=1.0 / rate - 0.005)
        kept[rate] = 1.0 - outcome(world)[1] / 48
    assert kept[16.0] == 1.0
    assert kept[30.0] == pytest.approx(0.5, abs=0.05)


def test_two_strikers_roll_at_forty_strokes_a_second():
    """40 strokes/s at 8 N from two strikers: all arrive, within 15 % of their force, all sound."""
    world = World()
    for k in range(80):
        on_s = 0.1 + k / 40.0
        world.advance(on_s)
        world.coil_on(k % 2, on_s, on_s + (2.433e-3, 2.525e-3)[k % 2])
    world.advance(3.0)
    forces = np.array([s.contact.force_n for s in world.sounds])
    assert len(forces) == 80
    assert np.abs(forces / 8.0 - 1.0).max() < 0.15
    assert outcome(world) == (80, 0, 0)


def _play(slices, seed=7):
    """Play 25 strokes, one of them cut, and read everything at the given times."""
    world = World(PADS["loam-mesh-rim"], module_figures("brook", faults=["crosstalk"]), seed=seed)
    roles = ("sensor", "second_zone", "marker", "din_line", "module_out")
    world.audio_source(48_000, roles).start()
    strikes = [(k % 2, 0.1 + 0.06 * k, 2.2e-3 + 5e-5 * k) for k in range(25)]
    acts = [(on, "on", coil, on + width) for coil, on, width in strikes]
    acts.append((strikes[7][1] + 1e-3, "cut", strikes[7][0], 0.0))
    acts += [(t, "read", 0, 0.0) for t in slices]
    din, host, impacts, blocks = [], [], [], []
    for at_s, what, coil, off_s in sorted(acts):
        if what == "on":
            world.coil_on(coil, at_s, off_s)
            world.marker(at_s, 4e-4)
        elif what == "cut":
            world.coil_cut(coil, at_s)
        else:
            blocks += world.audio_until(at_s)
            din += world.take_din()
            host += world.take_host_midi()
            impacts += world.take_impacts()
    audio = np.concatenate([b.samples for b in blocks])
    return audio, din, host, impacts, world.notes, [s.contact for s in world.sounds]


def test_slicing_of_time_changes_nothing():
    """Read in 3 ms steps, in random ones or at once: the same samples, bytes and notes."""
    rng = np.random.default_rng(1)
    whole = _play([2.5])
    fine = _play([*np.arange(0.003, 2.5, 0.003), 2.5])
    random = _play([*np.sort(rng.uniform(0.0, 2.5, 97)), 2.5])
    for other in (fine, random):
        assert np.array_equal(whole[0], other[0])
        assert whole[1:] == other[1:]
    assert len(whole[5]) == 24  # the cut one never arrived


def test_seed_makes_the_run():
    """The same seed gives the same run; another seed another one."""
    first, again, other = _play([2.5]), _play([2.5]), _play([2.5], seed=8)
    assert np.array_equal(first[0], again[0])
    assert first[1:] == again[1:]
    assert not np.array_equal(first[0], other[0])
    assert [c.contact_s for c in first[5]] != [c.contact_s for c in other[5]]


def test_cut_before_contact_leaves_silence():
    """A coil cut early never strikes: no contact, no impact, no note."""
    world = World()
    world.coil_on(0, 0.1, 0.104)
    world.advance(0.101)
    world.coil_cut(0, 0.101)
    world.advance(1.0)
    assert (world.sounds, world.notes, world.take_impacts()) == ([], [], [])
    assert world.pulses == [{"strike": 0, "striker": "A", "on_s": 0.1, "off_s": 0.101}]


def test_pickup_answers_just_after_contact():
    """The impact pickup passes its 0.3 N within 240 µs of each contact of 2 N and more."""
    world = strike_all(World(), WIDTHS_S[:20])
    impacts = world.take_impacts()
    contacts = [s.contact.contact_s for s in world.sounds]
    late = np.array([t for t, _ in impacts]) - np.array(contacts)
    assert late.min() > 0.0
    assert late.max() < 240e-6
    assert world.take_impacts() == []


@pytest.mark.parametrize(("coil", "on_s"), [(2, 2.0), (-1, 2.0), (0, 0.5)])
def test_impossible_pulses_are_refused(coil, on_s):
    """A coil that isn't there, or a pulse in the past, is an error."""
    world = World()
    world.advance(1.0)
    with pytest.raises(ValueError, match="coil"):
        world.coil_on(coil, on_s, on_s + 1e-3)


def test_query_builds_the_bench():
    """Keys of the URL reach pad, module, settings and faults."""
    world = read_world(
        {
            "seed": "4",
            "pad": "gale-cymbal",
            "module": "brook",
            "firmware": "1.5",
            "fault": "slow,stray",
            "set.dead_time_ms": "20",
            "note": "45",
            "position": "0.1",
            "drop_audio_at_s": "1.5,2.5",
        }
    )
    figures = world.module.figures
    assert (world.seed, world.pad.figures.name) == (4, "gale-cymbal")
    assert figures.dead_time_ms == 10.0  # this build counts it in half units
    assert (figures.processing_ms, figures.interference_per_h, figures.note) == (9.0, 400.0, 45)


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ({"sed": "1"}, "did you mean 'seed'"),
        ({"set.dead_time": "1"}, "did you mean 'set.dead_time_ms'"),
        ({"pad": "loam"}, "no pad 'loam'"),
        ({"seed": "one"}, "a number is needed"),
        ({"seed": "nan"}, "a number is needed"),
        ({"position": "1.5"}, "0 .centre. to 1 .edge."),
        ({"fault": "doubles"}, "did you mean 'double'"),
    ],
)
def test_bad_queries_are_answered(query, said):
    """An unknown key or name, or a value that is no number, is an error that says what to write."""
    with pytest.raises(SimulationError, match=said):
        read_world(query)


def test_truth_is_written_beside_the_run(tmp_path):
    """Clocks, pulses, contacts and notes stand in RUN.truth.json, and agree with one another."""
    world = World(audio_ppm=30.0)
    source = world.audio_source(48_000, ("sensor",))
    source.start()
    strike_all(world, WIDTHS_S[:8])
    path = world.write_truth(tmp_path / "run-1")
    assert path == truth_path(tmp_path / "run-1") == tmp_path / "run-1.truth.json"
    truth = json.loads(path.read_text())
    assert len(truth["pulses"]) == len(truth["contacts"]) == len(truth["notes"]) == 8
    for note in truth["notes"]:
        contact = truth["contacts"][note["contact"]]
        assert contact["strike"] == note["strike"]
        assert contact["contact_s"] < contact["onset_s"] < note["trigger_s"] + 1e-3
        assert note["end_s"] - note["ready_s"] >= note["wire_s"] - 1e-12
    clocks = truth["clocks"]
    assert clocks["audio_start_s"] == source.clock.start_s
    assert clocks["audio_step_s"] * 48_000 == pytest.approx(1 - 30e-6, abs=1e-8)
