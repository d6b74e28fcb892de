"""The table of causes: every lost stroke, double, stray and crosstalk has its row, and no other."""

from __future__ import annotations

import pandas as pd
import pytest
import struck

from analysis import causes_table
from analysis.causes import CAUSES
from analysis.pipeline import Analysis, analyse_run
from analysis.report.page import write_page
from analysis.result_files import write_tables

SETTINGS = {
    "gain_db": 0.0,
    "threshold_percent": 1.6,
    "peak_window_ms": 2.0,
    "dead_time_ms": 5.0,
    "release_ms": 12.0,
}
FAULTY = """format = 1
name = "faulty"
purpose = "Doubles, losses and strays"
[[stage]]
name = "silence"
pattern = "idle"
duration_s = 20
[[stage]]
name = "ladder"
pattern = "single"
forces_n = [1, 8, 20]
repeats = 6
interval_ms = 200
[[stage]]
name = "pairs"
pattern = "flam"
strikers = ["A", "B"]
gaps_ms = [6, 14]
level_differences_db = [-12, 0]
repeats = 3
force_n = 12
"""


@pytest.fixture(scope="module")
def analysis(tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    """A run with doubles, losses and strays."""
    path = tmp_path_factory.mktemp("causes") / "run"
    struck.record(FAULTY, path, settings=SETTINGS, faults=("stray",))
    return analyse_run(path)


def test_each_fault_has_its_row(analysis: Analysis) -> None:
    """Each note that is no stroke's first, and each stroke lost, once; both formats hold the same."""
    folder = write_tables(analysis)
    table = pd.read_csv(folder / "causes.csv", keep_default_na=False)
    strokes, notes = (pd.read_csv(folder / f"{name}.csv") for name in ("strokes", "notes"))
    more = notes.index[notes["role"] != "first"]
    assert len(more) > 20
    assert sorted(table.loc[table["note"] >= 0, "note"]) == list(more)
    assert {"double", "stray"} <= set(notes["role"])
    for row in table[table["note"] >= 0].itertuples():
        assert notes["role"][row.note] == row.kind
        assert row.stroke == (-1 if row.kind == "stray" else notes["stroke"][row.note])
    lost = strokes.loc[strokes["outcome"] == "lost", "stroke"]
    assert len(lost) > 3
    assert sorted(table.loc[table["kind"] == "lost", "stroke"]) == sorted(lost)
    assert table["t_s"].is_monotonic_increasing
    assert set(table["cause"]) <= {*CAUSES, ""}
    assert (table["cause"] != "").mean() > 0.9
    parquet = pd.read_parquet(folder / "causes.parquet")
    assert parquet["cause"].tolist() == table["cause"].tolist()
    assert parquet["note"].tolist() == table["note"].tolist()


def test_the_page_lists_them(analysis: Analysis) -> None:
    """Folded away, row by row, with the note's number."""
    rows = causes_table.causes_table(analysis)
    listed = write_page(analysis).split("<details><summary>Each of them")[1].split("</details>")[0]
    assert listed.count("<tr>") == len(rows) + 1
    for note in rows.loc[rows["note"] >= 0, "note"]:
        assert f'<td class="number">{note}</td>' in listed


def test_what_is_not_looked_at_has_a_row_without_a_cause(
    analysis: Analysis, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In a run of too many strokes each fault still has its row, and the page says so."""
    whole = causes_table.causes_table(analysis)
    monkeypatch.setattr(causes_table, "MOST_STROKES", 10)
    bare = causes_table.causes_table(analysis)
    keys = ["stroke", "note", "kind"]
    assert bare[keys].sort_values(keys).to_numpy().tolist() == (
        whole[keys].sort_values(keys).to_numpy().tolist()
    )
    assert (bare["cause"] == "").all()
    assert "Each of them" in write_page(analysis)
