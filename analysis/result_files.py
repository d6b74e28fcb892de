"""The files that hold the results of a run: strokes, notes, causes of faults, and the measures."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.causes_table import causes_table
from analysis.measures import to_json
from analysis.pipeline import RUN_STATUS, Analysis
from rig.record.bench_fault import BenchError

FOLDER = "analysis"
"""Inside the run folder; all in it can be made again."""


def write_tables(analysis: Analysis, explained: pd.DataFrame | None = None) -> Path:
    """Write tables of strokes, notes and causes (Parquet and CSV) and ``measures.json``.

    Files are replaced whole: a reader never sees half of one.

    Parameters
    ----------
    analysis
        The run.
    explained
        Its faults with their causes, where they are known already.

    Returns
    -------
    pathlib.Path
        The folder of the files.
    """
    folder = analysis.path / FOLDER
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise BenchError(
            f"writing the tables: {folder} can't be made a folder ({error.strerror}); move away "
            "what is there, or see to the permissions of the run folder"
        ) from error
    try:
        _write(analysis, causes_table(analysis, explained), folder)
    except OSError as error:
        for part in folder.glob("*.part"):
            part.unlink(missing_ok=True)
        raise BenchError(
            f"writing the tables into {folder}: {error.strerror or error}. What stood there before "
            "is kept. Make room on the disk, or copy the run to another, and analyse it again"
        ) from error
    return folder


def _write(analysis: Analysis, causes: pd.DataFrame, folder: Path) -> None:
    tables = {"strokes": analysis.table.strokes, "notes": analysis.table.notes, "causes": causes}
    for name, table in tables.items():
        for suffix in ("parquet", "csv"):
            part = folder / f"{name}.{suffix}.part"
            if suffix == "csv":
                table.to_csv(part, index=False)
            else:
                table.to_parquet(part, index=False)
            part.replace(folder / f"{name}.{suffix}")
    record = to_json(
        analysis.measures,
        analysis.decisions,
        run_status=RUN_STATUS[analysis.recording.status],
        **_facts(analysis),
    )
    part = folder / "measures.json.part"
    part.write_text(json.dumps(record, indent=1, allow_nan=False) + "\n", encoding="utf-8")
    part.replace(folder / "measures.json")


def _facts(analysis: Analysis) -> dict[str, Any]:
    start = analysis.start
    return {
        "run_id": start.run_id,
        "created_utc": start.created_utc,
        "software": start.software,
        "protocol": start.protocol_name,
        "bench": start.bench_name,
        "pad": start.pad_name,
        "module": start.module_name,
        "firmware": start.module_firmware,
        "note_source": analysis.table.facts["note_source"],
        "calibrated": start.calibrated,
        "doubts": analysis.doubts,
        "budget_us": {k: v * 1e6 for k, v in analysis.budget_s.items()},
        "time_line": analysis.table.time_line.record() if analysis.table.time_line else None,
    }
