"""How settings are chosen from strokes, against a detector that goes sample by sample."""

import math
import re

import numpy as np
import pytest

from analysis import choices
from analysis.advise import AdviceError, advise
from analysis.break_points import first_break
from analysis.detector import Envelopes
from analysis.sensor import Noise, noise
from rig.record.specimen import Settings

RATE_HZ = 20_000.0
ONSET = 100


def made(
    rng: np.random.Generator,
    *,
    late: float = 0.9,
    late_ms: float = 10.0,
    tail: float = 0.0,
    noise_rms: float = 4e-4,
    forces: tuple[float, ...] = (2, 5, 12, 30),
    each: int = 8,
) -> Envelopes:
    """Strokes of several forces: first peak at 1 ms, a late peak, ringing, perhaps a slow end."""
    force = np.repeat(np.array(forces, dtype=float), each)
    t = np.arange(-ONSET, 4000)[None, :] / RATE_HZ * 1e3
    size = (force / 40.0 * rng.lognormal(0.0, 0.02, force.size))[:, None]
    after = np.maximum(t, 0.0)
    wave = np.where(t > 0, np.sin(np.minimum(after, 2.0) * np.pi / 2.0) ** 2, 0.0)
    wave = wave + 0.15 * np.where(t > 0, np.exp(-after / 15.0) * np.abs(np.sin(after * 1.3)), 0.0)
    wave = wave + late * np.exp(-(((t - late_ms) / 1.0) ** 2))
    wave = wave + tail * np.where(t > 2, np.exp(-after / 400.0), 0.0)
    level = np.abs(size * wave + rng.normal(0.0, noise_rms, (force.size, t.shape[1])))
    return Envelopes(level=level.astype(np.float32), rate_hz=RATE_HZ, onset=ONSET, force_n=force)


def silence(rms: float = 4e-4) -> Noise:
    """Noise of a sensor."""
    return noise(np.random.default_rng(7).normal(0.0, rms, 192_000), 96_000)


def doubles(row: np.ndarray, settings: Settings) -> bool:
    """Tell, sample by sample, whether the detector triggers twice."""
    threshold = settings.threshold_percent / 100
    window = max(1, round(settings.peak_window_ms * RATE_HZ / 1e3))
    dead = settings.dead_time_ms * RATE_HZ / 1e3
    release = settings.release_ms * RATE_HZ / 1e3
    trigger, peak = -1, 0.0
    for n, x in enumerate(row.astype(float)):
        if trigger < 0:
            if x > threshold:
                trigger, peak = n, x
        elif n < trigger + window:
            peak = max(peak, x)
        elif n >= trigger + dead:
            rearm = peak * math.exp(-(n - trigger - max(dead, window)) / release)
            if x > max(threshold, rearm):
                return True
    return False


def test_dead_time_is_the_least_without_a_double() -> None:
    """At the dead time found no stroke doubles, one sample less and one does; any release."""
    rng = np.random.default_rng(11)
    strokes = made(rng, each=2)
    sample_ms = 1e3 / RATE_HZ
    for release_ms in (3.0, 9.0, 25.0):
        blind = choices.recovery_times_ms(strokes, 1.0, 1.5, release_ms, 0.0)
        for row, needed_ms in zip(strokes.level, blind, strict=True):
            settings = [
                Settings(
                    threshold_percent=1.0,
                    peak_window_ms=1.5,
                    release_ms=release_ms,
                    dead_time_ms=max(0.0, needed_ms + off),
                )
                for off in (0.0, -1.5 * sample_ms)
            ]
            assert not doubles(row, settings[0])
            assert needed_ms <= 1.5 or doubles(row, settings[1])


def test_a_slow_end_is_ended_by_the_threshold_not_by_the_dead_time() -> None:
    """A sound that stays just above the least threshold raises it; the dead time stays short."""
    rng = np.random.default_rng(13)
    plain = choices.timing(made(rng), silence(), 15.0, 0.0, 1.0)
    slow = choices.timing(made(rng, tail=0.012), silence(), 15.0, 0.0, 1.0)
    assert not plain.raised
    assert slow.raised
    assert slow.threshold_percent > plain.threshold_percent
    assert slow.least_dead_ms < choices.LATE_MS


def test_another_stroke_in_the_sound_is_seen() -> None:
    """Strokes into whose sound another fell are left out, and it is said."""
    strokes = made(np.random.default_rng(14))
    strokes.level[3, ONSET + 1600 : ONSET + 1640] = 0.5
    assert list(np.flatnonzero(choices.sounds_again(strokes))) == [3]
    found = advise(strokes, silence(), today=Settings(gain_db=0.0))
    assert found.count == len(strokes) - 1
    assert any("1 of 32 strokes are left out" in text for text in found.cautions)
    assert found.settings.dead_time_ms < choices.LATE_MS


def test_the_highest_peak_comes_late_and_the_dead_time_reaches_past_it() -> None:
    """The dead time, not the peak window, reaches past a highest peak 10 ms after the onset.

    Common practice, no source.
    """
    found = advise(made(np.random.default_rng(15), late=1.2), silence(), today=Settings())
    assert found.settings.peak_window_ms < 5.0
    assert 9.0 < found.settings.dead_time_ms < 14.0


def test_a_short_peak_window_is_warned_of() -> None:
    """Common practice, no source: rarely under 2 ms; a sense of position needs about 2.3 ms."""
    found = advise(made(np.random.default_rng(16)), silence(), today=Settings())
    assert found.settings.peak_window_ms < 2.0
    text = " ".join(found.cautions)
    assert "2 ms that are usual" in text
    assert "2.3 ms" in text


def test_strokes_of_one_force_give_advice_with_a_warning() -> None:
    """Gain and threshold of strokes all alike are said to be those of such strokes alone."""
    for forces, warned in (((8,), True), ((2, 5, 12, 30), False)):
        strokes = made(np.random.default_rng(17), forces=forces, each=24)
        found = advise(strokes, silence(), today=Settings(gain_db=0.0))
        assert any("over all forces" in text for text in found.cautions) == warned


def test_noise_of_a_percent_is_ordinary() -> None:
    """With noise of 1 % of the range the threshold lies above it, and no stroke is lost.

    That so much is ordinary is common practice, no source.
    """
    rms = 0.0025  # its peaks reach 1 %
    strokes = made(np.random.default_rng(17), noise_rms=rms, forces=(4, 8, 20, 36))
    found = advise(strokes, silence(rms), today=Settings(gain_db=0.0))
    gain = 10 ** (found.settings.gain_db / 20)
    assert 0.01 < found.settings.threshold_percent / 100 / gain < 0.04
    assert found.lost_share == 0.0
    assert silence(rms).rate_per_h(found.settings.threshold_percent / 100 / gain) < 1.0


def test_long_dead_times_and_slow_releases_lose_fast_ones_double() -> None:
    """Long dead times lose flams and rolls, slow releases soft strokes; fast ones double.

    Common practice, no source.
    """
    rows = advise(made(np.random.default_rng(18)), silence(), today=Settings()).front.recoveries
    by_dead = rows.groupby("dead_time_ms")
    assert by_dead["gap_alike_ms"].min().is_monotonic_increasing
    assert by_dead["doubled_share"].max().iloc[0] > by_dead["doubled_share"].max().iloc[-1]
    by_release = rows.groupby("release_ms")
    assert by_release["gap_softer_ms"].min().is_monotonic_increasing
    assert by_release["doubled_share"].mean().is_monotonic_decreasing


def test_an_upward_curve_is_bent_from_a_straight_one() -> None:
    """A straight module whose curve is declared a parabola is told an exponent of 2.

    That an upward-curving parabola is a usual starting curve is common practice, no source.
    """
    strokes = made(np.random.default_rng(19))
    velocity = np.rint(1.0 + 126.0 * strokes.force_n / 40.0)
    found = advise(
        strokes,
        silence(),
        today=Settings(gain_db=0.0, curve_exponent=1.0),
        velocity=velocity,
        declared_exponent=2.0,
    )
    assert found.settings.curve_exponent == pytest.approx(2.0, abs=0.1)


def test_each_setting_says_what_breaks_beside_it() -> None:
    """Every advised setting has a reason, evidence, and what breaks on either side."""
    found = advise(made(np.random.default_rng(20)), silence(), today=Settings(gain_db=0.0))
    assert {one.setting for one in found.advice} >= {
        "gain_db", "threshold_percent", "peak_window_ms", "dead_time_ms", "release_ms",
    }  # fmt: skip
    for one in found.advice:
        assert one.reason
        assert one.below
        assert one.above
        assert "nan" not in one.below + one.above
        assert one.evidence
        # either something breaks, or it is said how far nothing does
        for side in (one.below, one.above):
            assert not re.search(r"(?<![\d.])0(\.0+)? (%|of \d+)|-\d", side), side


def test_what_breaks_is_sought_until_something_does() -> None:
    """A gain kept 12 dB above what is wanted breaks at no 3 dB less, but at the step that does."""
    strokes = made(np.random.default_rng(20))
    found = advise(strokes, silence(), today=Settings(gain_db=0.0), gain_range_db=(12.0, 20.0))
    gain = next(one for one in found.advice if one.setting == "gain_db")
    less, below = (float(x) for x in re.findall(r"([\d.]+) dB", gain.below)[:2])
    # 30 N of 40 are 2.5 dB below full scale, with noise and ringing
    top_db = 20 * math.log10(choices.hardest_level(strokes))
    assert less > 3.0
    assert below == pytest.approx(less - 12.0 - top_db, abs=0.1)
    assert 0.0 < below <= 6.0
    # and where nothing is lost or doubled as far as is tried, that is said
    assert first_break([1.0, 2.0, 3.0], lambda value: float(value > 1.5)) == (2.0, 1.0)
    assert first_break([1.0, 2.0], lambda _: 0.0) == (2.0, 0.0)


def test_a_hopeless_signal_is_to_be_reduced_mechanically() -> None:
    """Where even the least gain leaves the hardest strokes above full scale, that is said."""
    strokes = made(np.random.default_rng(21)).scaled(2.0)
    found = advise(strokes, silence(), today=Settings(gain_db=0.0), gain_range_db=(6.0, 20.0))
    assert any("reduce the signal mechanically" in text for text in found.cautions)


def test_a_recording_that_clips_says_so_first() -> None:
    """How hard clipped strokes are is not known: the gain says so, and so does the first caution."""
    found = advise(made(np.random.default_rng(23)).scaled(12.0), silence(), today=Settings())
    assert "the recording itself clips in" in found.cautions[0]
    gain = next(one for one in found.advice if one.setting == "gain_db")
    assert "clips" in gain.reason


def test_a_gain_at_its_end_is_told_as_that() -> None:
    """Where the greatest gain leaves the hardest strokes below full scale, the reason says so."""
    strokes = made(np.random.default_rng(24)).scaled(-20.0)
    found = advise(strokes, silence(), today=Settings(gain_db=0.0), gain_range_db=(-12.0, 12.0))
    gain = next(one for one in found.advice if one.setting == "gain_db")
    assert gain.value == 12.0
    assert "greatest that can be set" in gain.reason
    assert "below full scale" in gain.reason


def test_what_is_not_known_of_the_curve_is_said() -> None:
    """No notes, no forces, or no exponent of today: the reason, and what is a usual start.

    That a parabola is one is common practice, no source.
    """
    strokes = made(np.random.default_rng(25))
    velocity = np.rint(1.0 + 126.0 * strokes.force_n / 40.0)
    straight = Settings(curve_exponent=1.0)
    for more, today, why in (
        ({}, straight, "no notes"),
        ({"velocity": velocity}, Settings(), "today's exponent"),
        ({"velocity": velocity, "force_known": False}, straight, "the forces"),
    ):
        text = " ".join(advise(strokes, silence(), today=today, **more).cautions)
        assert f"no advice on the velocity curve: {why}" in text
        assert "common practice, no source" in text
    known = advise(strokes, silence(), today=straight, velocity=velocity)
    assert not any("velocity curve" in text for text in known.cautions)


def test_too_few_strokes_give_no_advice() -> None:
    """Fewer than twenty strokes: an error says how many there are and what to strike."""
    strokes = made(np.random.default_rng(22), each=4)
    with pytest.raises(AdviceError, match="ring out alone: 16; at least 20"):
        advise(strokes, silence(), today=Settings())
