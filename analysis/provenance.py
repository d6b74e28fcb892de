"""Where the figures of a run come from, line by line."""

from __future__ import annotations

import msgspec

from analysis.pipeline import Analysis
from rig.record.specimen import Specimen


def provenance(analysis: Analysis) -> list[tuple[str, str]]:
    """Name what was struck, by what, and how it was recorded, for the foot of a page.

    Returns
    -------
    list of (str, str)
        Name and value of each line. What the run doesn't tell reads "none" or "not told".
    """
    start, line, parts = analysis.start, analysis.table.time_line, analysis.recordings
    gaps = [f"{one.path.name} after {one.reader.start.gap_s:.0f} s" for one in parts]
    rows = [
        *_under_test(analysis.specimen),
        ("run", f"{analysis.path.name} ({start.run_id})"),
        ("status", analysis.recording.status),
        *([("parts", ", ".join([analysis.path.name, *gaps[1:]]))] if len(parts) > 1 else []),
        *([("ended by", analysis.ended_by)] if analysis.ended_by else []),
        ("software", ", ".join(f"{k} {v}" for k, v in start.software.items() if v)),
        ("board", ", ".join(f"{k} {v}" for k, v in start.board.items()) or "none"),
        ("port", start.port or "none"),
        ("audio", f"{start.audio.sample_rate_hz} Hz, {start.audio.channel_count} channels"),
        ("notes from", analysis.note_source()),
        ("calibrated", "yes" if start.calibrated else "no"),
        ("seed", str(start.seed)),
    ]
    if line is not None:
        rows.append(
            (
                "time line",
                f"{line.method}: {line.used} used, {line.lost} lost, {line.extra} extra; "
                f"residual {line.residual_sd_us:.2f} µs; clocks {line.ppm:+.1f} ppm apart",
            )
        )
        noise = line.noise.sentence() if line.noise is not None else ""
        rows += [("clocks", noise)] if noise else []
    return rows


def _under_test(specimen: Specimen) -> list[tuple[str, str]]:
    """Pad, module and settings in force, line by line."""
    pad, module = specimen.pad, specimen.module
    settings = msgspec.structs.asdict(module.settings).items()
    lines = {
        "pad": (
            pad.name,
            pad.serial and f"serial {pad.serial}",
            pad.mounting,
            f"struck at {pad.strike_position:g} from centre (0) to edge (1)",
        ),
        "module": (
            module.name,
            f"firmware {module.firmware}",
            module.serial and f"serial {module.serial}",
        ),
        "settings": tuple(f"{name} = {value:g}" for name, value in settings if value is not None),
    }
    return [
        (name, ", ".join(part for part in parts if part) or "not told")
        for name, parts in lines.items()
    ]
