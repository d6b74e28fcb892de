"""Settings for a module on a pad: each with its reason, its evidence and what breaks beside it."""

from __future__ import annotations

import dataclasses
import math

import msgspec
import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis import choices
from analysis.detector import Envelopes, Replay, known, pooled_spread_db, replay
from analysis.front import ALIKE_DB, SOFTER_DB, Front, front, recovery_gap_ms
from analysis.sensor import CLIP_LEVEL, Noise
from rig.record.bench_fault import BenchError
from rig.record.specimen import Settings

Array = NDArray[np.float64]

LEAST_STROKES = 20
MOST_AGAIN = 0.2
"""Share of strokes that may be left out; where more sound again, it is the pad that does."""
DEAD_MARGIN_MS = 0.2
KEEP_GAIN_DB = 1.0
KEEP_EXPONENT = 0.05


class AdviceError(BenchError):
    """Too little to advise on."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Advice:
    """One setting.

    Attributes
    ----------
    setting, value, today
        Name as in the specimen file, with its unit; ``today`` None where not known.
    reason
        Why so, in a sentence.
    evidence
        Figures behind it, name (with unit) -> value.
    below, above
        What breaks on either side.
    """

    setting: str
    value: float
    today: float | None
    reason: str
    evidence: dict[str, float]
    below: str
    above: str


@dataclasses.dataclass(frozen=True, kw_only=True)
class Recommendation:
    """Settings to start from.

    Attributes
    ----------
    settings, advice
        The settings, and each with its reason.
    latency_ms
        Predicted mean latency of these strokes; NaN where today's is not known.
    lost_share, doubled_share
        Predicted, as fractions, of these strokes.
    cautions
        What no setting can mend.
    front
        The trade-offs.
    count
        Strokes behind it.
    """

    settings: Settings
    advice: tuple[Advice, ...]
    latency_ms: float
    lost_share: float
    doubled_share: float
    cautions: tuple[str, ...]
    front: Front
    count: int


def advise(
    strokes: Envelopes,
    noise: Noise,
    *,
    today: Settings,
    latency_ms: ArrayLike | None = None,
    velocity: ArrayLike | None = None,
    declared_exponent: float = 1.0,
    force_known: bool = True,
    false_per_h: float = 1.0,
    gain_range_db: tuple[float, float] = (-12.0, 24.0),
) -> Recommendation:
    """Advise settings from recorded strokes.

    Parameters
    ----------
    strokes
        As recorded, over the forces that will be played, each struck several times and left to
        ring out. The recording's full scale is taken to be the module's at 0 dB gain.
    noise
        Of the sensor.
    today
        Settings in force in the run; what is not known is ``None``.
    latency_ms, velocity
        Of each stroke, as measured with today's settings; NaN where there was no note.
    declared_exponent
        Velocity over force, as it is meant to be.
    force_known
        ``force_n`` of the strokes is a force, and no width of a bench that is not calibrated.
    false_per_h
        How often noise may trigger.
    gain_range_db
        What the module can be set to.

    Raises
    ------
    AdviceError
        Fewer than ``LEAST_STROKES`` strokes, or none that any threshold catches.
    """
    count = len(strokes)
    if count < LEAST_STROKES:
        raise AdviceError(
            f"advice on settings: strokes that ring out alone: {count}; at least {LEAST_STROKES} "
            "are needed. Strike single strokes over all forces, 250 ms apart"
        )
    latencies = _per_stroke(latency_ms, count)
    velocities = _per_stroke(velocity, count)
    cautions: list[str] = []
    again = choices.sounds_again(strokes)
    if 0.0 < again.mean() < MOST_AGAIN:
        cautions.append(
            f"{again.sum()} of {count} strokes are left out: something else sounds in them, as a "
            "second stroke that was not told from the first"
        )
        strokes = strokes.subset(~again)
        latencies, velocities = latencies[~again], velocities[~again]
    now = _replay_today(strokes, today)
    if today.gain_db is None:
        cautions.append(
            "today's gain is not known: the gain advised counts from a module whose full scale is "
            "the recording's. Write today's settings into the specimen file, [module.settings]"
        )
    gain, gain_db = _gain(strokes, today, now, velocities, gain_range_db, cautions)
    decay_ms = choices.natural_decay_ms(strokes, noise)
    if not math.isfinite(decay_ms):
        cautions.append(
            "no stroke is loud enough over the noise (40 dB) to tell how the pad rings out: the "
            "release is today's, or 20 ms; strike harder"
        )
    natural_ms = decay_ms if math.isfinite(decay_ms) else (today.release_ms or 20.0)
    timing = choices.timing(strokes, noise, natural_ms, gain_db, false_per_h)
    percent, least_dead_ms = timing.threshold_percent, timing.least_dead_ms
    if not math.isfinite(timing.peak_window_ms):
        raise AdviceError(
            f"advice on settings: no stroke passes a threshold of {percent:.2g} % of full scale; "
            "see that the sensor is plugged in and strike harder"
        )
    window_ms, release_ms = timing.peak_window_ms, timing.release_ms
    threshold = _threshold(strokes, noise, today, gain_db, false_per_h, timing, cautions)
    if least_dead_ms > choices.LONGEST_DEAD_MS:
        cautions.append(
            f"the pad rings for {least_dead_ms:.0f} ms above where the module is armed again: no "
            f"dead time up to {choices.LONGEST_DEAD_MS:g} ms keeps every stroke from doubling; "
            "damp the pad"
        )
    covered_ms = min(least_dead_ms, choices.LONGEST_DEAD_MS)
    dead_ms = max(round(covered_ms + DEAD_MARGIN_MS, 2), window_ms)
    curve = _curve(strokes, today, velocities, declared_exponent) if force_known else None
    settings = Settings(
        gain_db=gain_db,
        threshold_percent=round(percent, 3),
        peak_window_ms=window_ms,
        dead_time_ms=dead_ms,
        release_ms=release_ms,
        curve_exponent=curve.value if curve else today.curve_exponent,
    )
    then = replay(strokes, settings)
    predicted = _latency(strokes, today, now, settings, then, latencies)
    if window_ms < 2.0:
        cautions.append(
            f"a peak window of {window_ms:g} ms is shorter than the 2 ms that are usual, and a "
            "module that senses the position needs about 2.3 ms (common practice, no source): "
            "check it with soft and off-centre strokes"
        )
    advice = [
        gain,
        threshold,
        *_timing(strokes, settings, today, decay_ms, least_dead_ms),
        *([curve] if curve else []),
    ]
    return Recommendation(
        settings=settings,
        advice=tuple(advice),
        latency_ms=predicted,
        lost_share=float(then.lost.mean()),
        doubled_share=float(then.doubled.mean()),
        cautions=tuple(cautions),
        front=front(strokes, settings, today),
        count=len(strokes),
    )


def _per_stroke(values: ArrayLike | None, count: int) -> Array:
    if values is None:
        return np.full(count, math.nan)
    given = np.asarray(values, dtype=float)
    if given.shape != (count,):
        raise AdviceError(
            f"advice on settings: {given.shape} figures for {count} strokes; one a stroke is needed"
        )
    return given


def _replay_today(strokes: Envelopes, today: Settings) -> Replay | None:
    """Triggers and levels with today's settings; None where they are not known."""
    if today.threshold_percent is None or today.peak_window_ms is None:
        return None
    filled = msgspec.structs.replace(
        today, dead_time_ms=today.dead_time_ms or 0.0, release_ms=today.release_ms or 0.0
    )
    return replay(strokes, filled)


def _latency(
    strokes: Envelopes, today: Settings, now: Replay | None, settings: Settings, then: Replay,
    latencies: Array,
) -> float:  # fmt: skip
    """Mean latency predicted: what comes after the peak window stays as it is today."""
    if now is None or today.peak_window_ms is None or settings.peak_window_ms is None:
        return math.nan
    to_ms = 1e3 / strokes.rate_hz
    rest = latencies - (now.trigger - strokes.onset) * to_ms - today.peak_window_ms
    # what follows the peak window is alike for all strokes, but told by those alone whose trigger
    # is sharp: near the threshold a module triggers where noise and its sampling have it
    clear = np.where(now.lost, 0.0, now.level) > 2.0 * (today.threshold_percent or 0.0) / 100.0
    told = np.isfinite(latencies) & clear
    if not told.any() or then.lost.all():
        return math.nan
    new = (then.trigger - strokes.onset) * to_ms + settings.peak_window_ms
    return float(rest[told].mean() + new[~then.lost].mean())


def _often(per_h: float) -> str:
    return "once an hour" if per_h == 1.0 else f"{per_h:g} times an hour"


def _spread(spread_db: float) -> str:
    if math.isnan(spread_db):
        return "which strokes are alike is not known, nor how their level spreads"
    return f"strokes of one force spread by {spread_db:.2f} dB"


def _db(level: float) -> float:
    return 20.0 * math.log10(level)


def _gain(
    strokes: Envelopes, today: Settings, now: Replay | None, velocity: Array,
    gain_range_db: tuple[float, float], cautions: list[str],
) -> tuple[Advice, float]:  # fmt: skip
    hardest = choices.hardest_level(strokes)
    full = math.nan
    if now is not None:
        full, _ = choices.input_curve(now.level, velocity)
    by_velocity = math.isfinite(full) and 0.05 < full <= 4.0
    target = min(1.0, full) if by_velocity else 1.0
    top = "the highest velocity" if by_velocity else "full scale"
    wanted = _db(target / hardest)
    gain_db = float(np.clip(wanted, *gain_range_db))
    reason = f"the hardest strokes just reach {top}"
    if bool((strokes.level.max(axis=1) >= CLIP_LEVEL).any()):
        cautions.append(
            "the recording itself clips: lower the interface's gain, or reduce the signal "
            "mechanically (more foam, a softer tip), and record again"
        )
    if wanted < gain_range_db[0]:
        cautions.append(
            f"even the least gain, {gain_range_db[0]:g} dB, leaves the hardest strokes "
            f"{gain_range_db[0] - wanted:.1f} dB above {top}: reduce the signal mechanically"
        )
    elif today.gain_db is not None and abs(gain_db - today.gain_db) < KEEP_GAIN_DB:
        gain_db, reason = today.gain_db, f"today's is within {KEEP_GAIN_DB:g} dB of where {reason}"
    gain_db = round(gain_db, 1)
    first = choices.first_peaks(strokes) * 10.0 ** ((gain_db + 3.0) / 20.0)
    return (
        Advice(
            setting="gain_db",
            value=gain_db,
            today=today.gain_db,
            reason=reason,
            evidence={"hardest_level_dbfs": _db(hardest), "top_level_dbfs": _db(target)},
            below=f"3 dB less: the hardest stay {wanted - gain_db + 3.0:.1f} dB below {top}",
            above=f"3 dB more: {100 * np.mean(first > target):.0f} % of the strokes lie at the top",
        ),
        gain_db,
    )


def _threshold(
    strokes: Envelopes, noise: Noise, today: Settings, gain_db: float, false_per_h: float,
    timing: choices.Timing, cautions: list[str],
) -> Advice:  # fmt: skip
    softest = choices.softest_level(strokes)
    floor = noise.level_for(false_per_h)
    percent = timing.threshold_percent
    gain = 10.0 ** (gain_db / 20.0)
    if softest < 2.0 * floor:
        cautions.append(
            f"the softest strokes lie {_db(softest / floor):.1f} dB above the level that noise "
            f"passes {_often(false_per_h)}; at least 6 dB are wanted: better cable and "
            "earth, or a higher least force"
        )
    half = 0.5 * percent / 100.0 / gain
    peaks = choices.first_peaks(strokes)
    lost = float(np.mean(peaks <= 2.0 * percent / 100.0 / gain))
    reason = f"above the noise, which passes it less often than {_often(false_per_h)}"
    if timing.raised:
        reason += ", and above the slow end of the hardest strokes"
    return Advice(
        setting="threshold_percent",
        value=round(percent, 3),
        today=today.threshold_percent,
        reason=reason,
        evidence={
            "noise_level_dbfs": _db(floor),
            "softest_level_dbfs": _db(softest),
            "false_per_h": noise.rate_per_h(percent / 100.0 / gain),
        },
        below=f"half of it: noise triggers {noise.rate_per_h(half):.2g} times an hour",
        above=f"twice: {100 * lost:.1f} % of these strokes are lost, and softer ones sooner",
    )


def _timing(
    strokes: Envelopes, settings: Settings, today: Settings, decay_ms: float, least_dead_ms: float
) -> list[Advice]:
    """Peak window, dead time and release."""
    s = known(settings)
    window, dead, release = s.peak_window_ms or 0.0, s.dead_time_ms or 0.0, s.release_ms or 0.0

    def spread(window_ms: float) -> float:
        again = replay(strokes, msgspec.structs.replace(s, peak_window_ms=window_ms))
        return pooled_spread_db(again.level, strokes.force_n)

    def doubled(**other: float) -> float:
        return 100.0 * float(replay(strokes, msgspec.structs.replace(s, **other)).doubled.mean())

    alike = recovery_gap_ms(dead, release, ALIKE_DB)
    softer = recovery_gap_ms(dead, release, SOFTER_DB)
    shorter = max(0.2, window - 0.5)
    return [
        Advice(
            setting="peak_window_ms",
            value=window,
            today=today.peak_window_ms,
            reason="the shortest window that reaches the first peak with a consistent level",
            evidence={"spread_db": spread(window)},
            below=f"{shorter:.1f} ms: {_spread(spread(shorter))}",
            above=f"{window + 1.0:.1f} ms: every note comes 1 ms later, "
            f"{_spread(spread(window + 1.0))}",
        ),
        Advice(
            setting="dead_time_ms",
            value=dead,
            today=today.dead_time_ms,
            reason="just covers the late peaks, counted from the trigger",
            evidence={"least_without_doubles_ms": least_dead_ms, "gap_alike_ms": alike},
            below=f"{max(0.0, dead - 2.0):.1f} ms: "
            f"{doubled(dead_time_ms=max(0.0, dead - 2.0)):.0f} % of the strokes double",
            above=f"{dead + 5.0:.1f} ms: a second stroke alike is caught after {alike + 5.0:.1f}, "
            f"not {alike:.1f} ms",
        ),
        Advice(
            setting="release_ms",
            value=release,
            today=today.release_ms,
            reason="follows the natural decay of the pad",
            evidence={"decay_ms": decay_ms, "gap_12_db_softer_ms": softer},
            below=f"half of it: {doubled(release_ms=release / 2.0):.0f} % of the strokes double",
            above=f"twice: a stroke {SOFTER_DB:g} dB softer is caught after "
            f"{recovery_gap_ms(dead, 2.0 * release, SOFTER_DB):.0f} ms, not {softer:.0f} ms",
        ),
    ]


def _curve(strokes: Envelopes, today: Settings, velocity: Array, declared: float) -> Advice | None:
    """Exponent of the velocity curve; None where today's or the velocities are not known."""
    found = choices.force_exponent(strokes.force_n, velocity)
    if today.curve_exponent is None or not (math.isfinite(found) and found > 0.0):
        return None
    value, reason = today.curve_exponent, "today's gives the declared curve"
    if abs(found / declared - 1.0) > KEEP_EXPONENT:
        value = round(today.curve_exponent * declared / found, 2)
        reason = "bends the velocities to the declared curve"
    return Advice(
        setting="curve_exponent",
        value=value,
        today=today.curve_exponent,
        reason=reason,
        evidence={"exponent_over_force": found, "declared": declared},
        below="soft strokes come out louder, hard ones crowd at the top",
        above="soft strokes come out softer or vanish, hard ones stand apart",
    )
