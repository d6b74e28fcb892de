"""The page of advice: settings, trade-offs, causes with their sound, recovery map, the sensor."""

from __future__ import annotations

import base64
import math
from collections.abc import Mapping
from typing import Any

import jinja2
import numpy as np
import pandas as pd

from analysis.causes_table import causes_table
from analysis.evidence import Evidence
from analysis.front import SOFTER_DB
from analysis.provenance import provenance
from analysis.report import advice_words as words
from analysis.report.causes_part import cause_list, cause_pictures, cause_rows
from analysis.report.front_picture import recovery_front_picture, window_picture
from analysis.report.recovery_part import recovery_part
from analysis.report.recovery_picture import recovery_picture
from analysis.report.sensor_picture import sensor_picture

MOST_ROWS = 12
"""Rows of a front that a table shows, today's and the advised ones among them."""


def write_advice_page(found: Evidence) -> str:
    """Give the whole page as text; every name is escaped, pictures stand inside as data."""
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("analysis.report", "."),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
    )
    analysis, advice = found.analysis, found.advice
    faults = causes_table(analysis, found.explained)
    start, now = analysis.start, analysis.specimen.module.settings
    return environment.get_template("advice.html").render(
        title=f"{start.module_name} {start.module_firmware} on {start.pad_name}",
        subtitle=f"{start.protocol_name} on {start.bench_name}, {start.created_utc[:10]}",
        zones=words.zones(analysis.specimen),
        doubts=analysis.doubts,
        no_advice=_sentence(found.no_advice.removeprefix("advice on settings: ")),
        detector_drawn=now.threshold_percent is not None,
        times_drawn=None not in (now.dead_time_ms, now.release_ms),
        settings=_settings(found),
        predicted=words.predicted(advice) if advice else "",
        cautions=[_sentence(text) for text in advice.cautions] if advice else [],
        softer=f"{SOFTER_DB:g} dB",
        window_picture=_picture(
            window_picture(advice.front) if advice else None, "Spread of the level over latency."
        ),
        recovery_front_picture=_picture(
            recovery_front_picture(advice.front) if advice else None, "Doubles over the gap needed."
        ),
        windows=_windows(advice.front.windows) if advice else [],
        recoveries=_recoveries(advice.front.recoveries) if advice else [],
        nothing_wrong=nothing_wrong(found),
        causes=cause_rows(found.explained, analysis.specimen.module.settings),
        faults=len(faults),
        listed=cause_list(faults),
        cause_pictures=cause_pictures(analysis, found.explained),
        recovery_picture=_picture(
            recovery_picture(found.recovery) if found.recovery else None,
            "Share of second strokes caught over gap and level difference.",
        ),
        **recovery_part(found.recovery, analysis.table.strokes, now),
        sensor_picture=_picture(
            sensor_picture(found.by_force, found.silence, _struck_with(found)),
            "Level of the sensor over force.",
        ),
        facts=[
            {
                "what": fact.what,
                "value": f"{words.number(fact.value)} {fact.unit}",
                "interval": interval(fact.low, fact.high),
                "count": fact.count,
                "method": fact.method,
            }
            for fact in found.facts
        ],
        tables=sensor_tables(found),
        provenance=[{"name": name, "value": value} for name, value in provenance(analysis)],
    )


def _picture(png: bytes | None, alt: str, heading: str = "") -> dict[str, str] | None:
    if png is None:
        return None
    return {"alt": alt, "heading": heading, "data": base64.b64encode(png).decode()}


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")


def interval(low: float, high: float) -> str:
    """Tell an interval; a dash where there is none."""
    if math.isnan(low) and math.isnan(high):
        return "–"
    return f"{words.number(low)} to {words.number(high)}"


def _settings(found: Evidence) -> list[dict[str, str]]:
    if found.advice is None:
        return []
    return [
        {
            "name": words.split_unit(one.setting)[0],
            "value": words.setting(one.setting, one.value),
            "today": words.setting(one.setting, one.today),
            "reason": _sentence(one.reason),
            "evidence": words.evidence(one.evidence),
            "below": _sentence(one.below),
            "above": _sentence(one.above),
        }
        for one in found.advice.advice
    ]


def nothing_wrong(found: Evidence) -> str:
    """Tell what it means that no fault was found."""
    if not len(found.analysis.table.notes):
        return "No notes were recorded: what was lost or doubled can't be told."
    return "Nothing: every stroke that counts has one note, and every note its stroke."


def shown(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of a front for a table: marked ones, and evenly chosen ones of the front."""
    marked = rows["today"] | rows["advised"]
    front = rows[rows["chosen"] & ~marked].drop_duplicates(
        [name for name in ("doubled_share", "latency_ms") if name in rows]
    )
    step = max(1, math.ceil(len(front) / MOST_ROWS))
    found = pd.concat([front.iloc[::step], rows[marked]])
    by = "latency_ms" if "latency_ms" in found else "gap_softer_ms"
    return found.sort_values(by, kind="stable")


def mark(row: Mapping[str, Any]) -> str:
    """Tell whose settings a row of a front are."""
    names = [name for name in ("today", "advised") if row[name]]
    return " and ".join(names)


def _windows(rows: pd.DataFrame) -> list[dict[str, str]]:
    return [
        {
            "mark": mark(row),
            "window": f"{row['peak_window_ms']:g}",
            "latency": words.number(float(row["latency_ms"])),
            "spread": words.number(float(row["spread_db"])),
        }
        for row in words.records(shown(rows))
    ]


def _recoveries(rows: pd.DataFrame) -> list[dict[str, str]]:
    return [
        {
            "mark": mark(row),
            "dead": f"{row['dead_time_ms']:g}",
            "release": words.number(float(row["release_ms"])),
            "doubled": f"{100 * float(row['doubled_share']):.0f}",
            "alike": f"{row['gap_alike_ms']:.1f}",
            "softer": f"{row['gap_softer_ms']:.1f}",
        }
        for row in words.records(shown(rows))
    ]


def _struck_with(found: Evidence) -> str:
    widths = found.cut.strokes["width_us"].to_numpy(dtype=float)
    return "Pulse, µs" if not found.force_known and np.isfinite(widths).any() else "Force, N"


def sensor_tables(found: Evidence) -> list[dict[str, Any]]:
    """Tables of the sensor: by force, crosstalk, by strike position; those that there are."""
    tables: list[dict[str, Any]] = []
    by_force = found.by_force
    unit = _struck_with(found)
    if len(by_force):
        tables.append(
            {
                "heading": "By force",
                "columns": [
                    unit, "Strokes", "Level, dBFS", "Spread, dB", "Room, dB", "Clipped",
                ],
                "rows": [
                    [
                        _force(row['force_n']), row['strokes'],
                        _with(row['level_dbfs'], row['level_low'], row['level_high'], 1),
                        _with(row['spread_db'], row['spread_low'], row['spread_high']),
                        f"{round(row['least_head_room_db'], 1) + 0.0:.1f}", row['clipped'],
                    ]
                    for row in words.records(by_force)
                ],
                "words": "In brackets: 95 % interval (Student's t of the mean, chi-square of the "
                "spread). Room: from the hardest of them to full scale.",
            }
        )  # fmt: skip
    for heading, table, first, said in (
        (
            "Crosstalk into the other zone", found.crosstalk, "force_n",
            "Highest level of the other zone's sensor against that of the struck one, without what "
            "noise adds to either. In brackets: 95 % interval (Student's t, and the uncertainty of "
            "what noise adds, in quadrature). At most: so near the noise that nothing more is "
            "known.",
        ),
        (
            "Crosstalk over strike position", found.crosstalk_positions, "position",
            "0 centre, 1 edge; other zone's level over the struck one's, without what noise adds, "
            "mean of the forces that stand out of the noise at every place. In brackets: 95 % "
            "interval (Student's t, by Welch and Satterthwaite, and the uncertainty of what noise "
            "adds, in quadrature).",
        ),
        (
            "Level over strike position", found.positions, "position",
            "0 centre, 1 edge; against the mean of all places, force by force. In brackets: 95 % "
            "interval (Student's t, by Welch and Satterthwaite).",
        ),
    ):  # fmt: skip
        if len(table):
            tables.append(
                {
                    "heading": heading,
                    "columns": [
                        unit if first == "force_n" else "Position", "Strokes", "dB",
                    ],
                    "rows": [
                        [words.number(row[first]), row["strokes"],
                         _with(row["db"], row["low"], row["high"])]
                        for row in words.records(table)
                    ],
                    "words": said,
                }
            )  # fmt: skip
    return tables


def _force(force_n: float) -> str:
    return words.number(force_n) if math.isfinite(force_n) else "not known"


def _with(value: float, low: float, high: float, digits: int = 2) -> str:
    if not math.isfinite(value):
        return "–"
    told = f"{value:.{digits}f}"
    if low == -math.inf:
        return f"at most {told}"
    return f"{told} [{low:.{digits}f}, {high:.{digits}f}]" if math.isfinite(low) else told
