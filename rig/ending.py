"""What ends a run before its plan does: stop conditions of the protocol, after each burst."""

from __future__ import annotations

import math
from collections.abc import Mapping

import pandas as pd

from rig.record.bench_file import BenchFile
from rig.record.coil_warmth import coil_temperatures_c
from rig.record.endurance import Stop
from rig.record.limits import TICKS_PER_S


class Ending:
    """Watches a run against its stop conditions.

    Parameters
    ----------
    stop
        The conditions.
    bench
        Its strikers and its room; the coils are taken to be as warm as the room at first.
    struck
        Strokes of earlier parts of the run. All else counts from this part on.
    """

    def __init__(self, stop: Stop, bench: BenchFile, struck: int = 0) -> None:
        self._stop = stop
        self._bench = bench
        self._began_s: float | None = None
        self._pulses: dict[str, tuple[float, float, float]] = {}  # last: s, us, °C
        self._struck = struck
        self._batch = _Batch()
        self._first: float | None = None

    def after_burst(
        self,
        strikes: pd.DataFrame,
        ticks: Mapping[int, int],
        *,
        now_s: float,
        energy: float,
        heard: tuple[int, int],
    ) -> str:
        """Take one burst in; give the sentence of the condition that ends the run, or nothing.

        Parameters
        ----------
        strikes
            The plan's rows of the burst; none of an idle one.
        ticks
            Row of the plan to the tick of its coil.
        now_s
            Host clock.
        energy
            Sum of the squares of the sensor's samples during the burst, full scale ±1.
        heard
            Strokes that should have sounded so far, and those of them that did not.
        """
        stop = self._stop
        self._began_s = now_s if self._began_s is None else self._began_s
        self._struck += len(strikes)
        found = [self._warm(strikes, ticks)]
        if len(strikes):
            self._batch.take(len(strikes), energy)
            if self._batch.strokes >= stop.over_strokes:
                found.append(self._end_batch(heard))
        if stop.after_strokes is not None and self._struck >= stop.after_strokes:
            found.append(f"{self._struck} strokes are struck; {stop.after_strokes} were asked for")
        hours = (now_s - self._began_s) / 3600.0
        if stop.after_h is not None and hours >= stop.after_h:
            found.append(f"{hours:.2f} h have passed; {stop.after_h:g} h were asked for")
        return "; ".join(one for one in found if one)

    def _end_batch(self, heard: tuple[int, int]) -> str:
        stop, batch = self._stop, self._batch
        found = []
        level = batch.energy / batch.strokes
        if self._first is None:
            self._first = level
        elif stop.level_falls_db is not None:
            fall_db = 10.0 * math.log10(self._first / level) if level > 0.0 else math.inf
            if fall_db > stop.level_falls_db:
                found.append(
                    f"the level of the last {batch.strokes} strokes lies {fall_db:.2f} dB below "
                    f"that of the first; {stop.level_falls_db:g} dB are allowed"
                )
        # a bench without an impact pickup has nothing to count against
        strokes, lost = heard[0] - batch.heard[0], heard[1] - batch.heard[1]
        share = 100.0 * lost / strokes if strokes else 0.0
        if stop.lost_share_percent is not None and share > stop.lost_share_percent:
            found.append(
                f"{lost} of the last {strokes} strokes were lost, {share:.2f} %; "
                f"{stop.lost_share_percent:g} % are allowed"
            )
        self._batch = _Batch(heard)
        return "; ".join(found)

    def _warm(self, strikes: pd.DataFrame, ticks: Mapping[int, int]) -> str:
        most_c = self._stop.coil_warmer_than_c
        if most_c is None or not len(strikes):
            return ""
        room_c = self._bench.ambient.temperature_c
        found = []
        for striker in self._bench.strikers:
            own = strikes[strikes["striker"] == striker.id]
            made = [
                (ticks[row] / TICKS_PER_S, width)
                for row, width in zip(own["strike"], own["width_us"], strict=True)
                if row in ticks
            ]
            if not made:
                continue
            last_s, last_us, last_c = self._pulses.get(striker.id, (made[0][0], 0.0, room_c))
            on_s, widths_us = zip((last_s, last_us), *made, strict=True)
            warm_c = coil_temperatures_c(striker, on_s, widths_us, last_c, room_c)
            self._pulses[striker.id] = (on_s[-1], widths_us[-1], float(warm_c[-1]))
            if not warm_c.max() <= most_c:
                found.append(
                    f"the coil of striker {striker.id!r} reached {warm_c.max():.0f} °C by its "
                    f"on-time; {most_c:g} °C are allowed"
                )
        return "; ".join(found)


class _Batch:
    """Strokes since the last look at level and losses."""

    def __init__(self, heard: tuple[int, int] = (0, 0)) -> None:
        self.strokes = 0
        self.energy = 0.0
        self.heard = heard

    def take(self, strokes: int, energy: float) -> None:
        self.strokes += strokes
        self.energy += energy
