"""Why a peak window, a dead time and a release, and what breaks on either side of them."""

from __future__ import annotations

import math

import msgspec

from analysis import choices
from analysis.break_points import (
    FACTORS,
    WindowTrial,
    first_break,
    of,
    shorter_dead_times,
    shorter_windows,
)
from analysis.detector import Envelopes, known, replay
from analysis.front import ALIKE_DB, SOFTER_DB, recovery_gap_ms
from analysis.reasons import Advice
from rig.record.specimen import Settings


def timing_advice(
    strokes: Envelopes, settings: Settings, today: Settings, decay_ms: float, least_dead_ms: float
) -> list[Advice]:
    """Peak window, dead time and release."""
    s = known(settings)
    window, dead, release = s.peak_window_ms or 0.0, s.dead_time_ms or 0.0, s.release_ms or 0.0

    count, trial = len(strokes), WindowTrial(strokes, s)

    def doubled(**other: float) -> float:
        return float(replay(strokes, msgspec.structs.replace(s, **other)).doubled.sum())

    alike = recovery_gap_ms(dead, release, ALIKE_DB)
    softer = recovery_gap_ms(dead, release, SOFTER_DB)
    now = trial.spread_db(window)
    shorter, worse = first_break(
        shorter_windows(window), lambda window_ms: float(trial.worse(window_ms, now))
    )
    dead_less, dead_doubles = first_break(
        shorter_dead_times(dead, window), lambda dead_ms: doubled(dead_time_ms=dead_ms)
    )
    release_less, release_doubles = first_break(
        [release / factor for factor in FACTORS], lambda ms: doubled(release_ms=ms)
    )
    if worse:
        early = f"{of(trial.too_early(shorter), count)} are told before their first peak"
        window_less = f"{shorter:.2g} ms: " + ", ".join(
            [*_spreads(trial.spread_db(shorter), now), early]
        )
    else:
        window_less = f"down to {shorter:.2g} ms nothing breaks in these {count} strokes"
    if not dead > window:
        dead_below = "none: it ends with the peak window, and nothing is blind for less"
    elif dead_doubles:
        dead_below = f"{dead_less:.1f} ms: {of(dead_doubles, count)} double"
    else:
        dead_below = (
            f"down to {dead_less:.1f} ms, the peak window, none of these {count} strokes doubles: "
            "it is there for those to come"
        )
    return [
        Advice(
            setting="peak_window_ms",
            value=window,
            today=today.peak_window_ms,
            reason="the shortest window that reaches the first peak with a consistent level",
            evidence={"spread_db": now},
            below=window_less,
            above=", ".join(
                [
                    f"{window + 1.0:.2g} ms: every note comes 1 ms later",
                    *_spreads(trial.spread_db(window + 1.0), now),
                ]
            ),
        ),
        Advice(
            setting="dead_time_ms",
            value=dead,
            today=today.dead_time_ms,
            reason="just covers "
            + ("late peaks" if dead > choices.FIRST_PEAK_MS else "the ringing of the first peak")
            + ", and what differs from stroke to stroke, counted from the trigger",
            evidence={
                "least_without_doubles_ms": least_dead_ms,
                "gap_alike_by_the_model_ms": alike,
            },
            below=dead_below,
            above=f"{dead + 5.0:.1f} ms: by the model a second stroke alike is caught after "
            f"{alike + 5.0:.1f}, not {alike:.1f} ms",
        ),
        Advice(
            setting="release_ms",
            value=release,
            today=today.release_ms,
            reason="follows the natural decay of the pad",
            evidence={"decay_ms": decay_ms, "gap_12_db_softer_by_the_model_ms": softer},
            below=f"{release_less:.2g} ms: {of(release_doubles, count)} double"
            if release_doubles
            else f"down to {release_less:.2g} ms none of these {count} strokes doubles: the dead "
            "time covers them all",
            above=f"{2.0 * release:.3g} ms: by the model a stroke {SOFTER_DB:g} dB softer is "
            "caught after "
            f"{recovery_gap_ms(dead, 2.0 * release, SOFTER_DB):.0f} ms, not {softer:.0f} ms",
        ),
    ]


def _spreads(spread_db: float, now_db: float) -> list[str]:
    """Say how strokes of one force spread; nothing where no force was struck twice."""
    if not math.isfinite(spread_db):
        return []
    if abs(spread_db - now_db) < 0.005:
        return [f"strokes of one force spread no less, by {spread_db:.2f} dB"]
    return [f"strokes of one force spread by {spread_db:.2f} dB, not {now_db:.2f} dB"]
