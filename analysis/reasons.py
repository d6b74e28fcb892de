"""Why a setting, by what evidence, and what breaks on either side of it."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
from numpy.typing import NDArray

from analysis import choices
from analysis.break_points import FACTORS, GAIN_STEPS_DB, first_break, of
from analysis.detector import Envelopes, Replay
from analysis.sensor import Noise
from rig.record.full_scale import CLIP_LEVEL
from rig.record.specimen import Settings

Array = NDArray[np.float64]

KEEP_GAIN_DB = 1.0
KEEP_EXPONENT = 0.05


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


def _often(per_h: float) -> str:
    """Say a rate in plain words, to two digits."""
    if 0.0 < per_h < 0.01:
        return "less than once in 100 hours"
    plain = float(f"{per_h:.2g}")
    if plain == 1.0:
        return "once an hour"
    return f"{plain:,.0f} times an hour" if plain >= 10.0 else f"{plain:g} times an hour"


def _db(level: float) -> float:
    return 20.0 * math.log10(level)


def gain_advice(
    strokes: Envelopes, today: Settings, now: Replay | None, velocity: Array,
    gain_range_db: tuple[float, float], cautions: list[str],
) -> tuple[Advice, float]:  # fmt: skip
    """Gain with which the hardest strokes just reach the top, and its value in dB."""
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
    clipped = int((strokes.level.max(axis=1) >= CLIP_LEVEL).sum())
    if clipped:
        cautions.insert(
            0,
            f"the recording itself clips in {clipped} of {len(strokes)} strokes: lower the "
            "interface's gain, or reduce the signal mechanically (more foam, a softer tip), and "
            "record again",
        )
    if wanted < gain_range_db[0]:
        cautions.append(
            f"even the least gain, {gain_range_db[0]:g} dB, leaves the hardest strokes "
            f"{gain_range_db[0] - wanted:.1f} dB above {top}: reduce the signal mechanically"
        )
        reason = f"the least that can be set; the hardest strokes still pass {top}"
    elif wanted > gain_range_db[1]:
        reason = (
            f"the greatest that can be set; the hardest strokes stay "
            f"{wanted - gain_range_db[1]:.1f} dB below {top}"
        )
    elif today.gain_db is not None and abs(gain_db - today.gain_db) < KEEP_GAIN_DB:
        gain_db, reason = today.gain_db, f"today's is within {KEEP_GAIN_DB:g} dB of where {reason}"
    if hardest >= CLIP_LEVEL:
        reason = "the recording clips, so how hard the hardest strokes are is not known: at most so"
    gain_db = round(gain_db, 1)
    first, count = choices.first_peaks(strokes), len(strokes)
    less_db, under_db = first_break(GAIN_STEPS_DB, lambda less: wanted - gain_db + less)
    more_db, at_top = first_break(
        GAIN_STEPS_DB,
        lambda more: float((first * 10.0 ** ((gain_db + more) / 20.0) > target).sum()),
    )
    return (
        Advice(
            setting="gain_db",
            value=gain_db,
            today=today.gain_db,
            reason=reason,
            evidence={"hardest_level_dbfs": _db(hardest), "top_level_dbfs": _db(target)},
            below=f"{less_db:g} dB less: the hardest stay {under_db:.1f} dB below {top}"
            if under_db > 0.0
            else f"down to {less_db:g} dB less nothing breaks: the hardest still pass {top}",
            above=f"{more_db:g} dB more: {of(at_top, count)} lie at the top"
            if at_top
            else f"up to {more_db:g} dB more nothing breaks: no stroke lies at the top",
        ),
        gain_db,
    )


def threshold_advice(
    strokes: Envelopes, noise: Noise, today: Settings, gain_db: float, false_per_h: float,
    timing: choices.Timing, cautions: list[str],
) -> Advice:  # fmt: skip
    """Threshold above the noise; a caution where the softest strokes are too near to it."""
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
    level, peaks = percent / 100.0 / gain, choices.first_peaks(strokes)

    def triggers(factor: float) -> float:
        per_h = noise.rate_per_h(level / factor)
        return per_h if per_h > false_per_h else 0.0

    less, per_h = first_break(FACTORS, triggers)
    more, lost = first_break(FACTORS, lambda factor: float((peaks <= factor * level).sum()))
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
        below=f"{percent / less:.2g} %: noise triggers {_often(per_h)}"
        if per_h
        else f"down to {percent / less:.2g} % nothing breaks: noise triggers "
        f"{_often(noise.rate_per_h(level / less))}",
        above=f"{percent * more:.2g} %: {of(lost, len(strokes))} are lost, and softer ones sooner"
        if lost
        else f"up to {percent * more:.2g} % none of these {len(strokes)} strokes is lost; softer "
        "ones are, sooner",
    )


def curve_advice(
    strokes: Envelopes, today: Settings, velocity: Array, declared: float
) -> Advice | None:
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
