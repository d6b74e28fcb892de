"""The report opens offline, escapes what stands in names, and says the decision first."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from struck import EVERYTHING_SHORT, record

from analysis.pipeline import analyse_run
from analysis.report.page import write_page
from analysis.result_files import write_tables

HOSTILE = "<script>alert('x')</script> & $\\\\frac{1}{0}$"


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run whose stage and protocol have hostile names."""
    text = EVERYTHING_SHORT.replace('"ladder"', f'"{HOSTILE}"').replace(
        '"a bit of everything"', f'"{HOSTILE}"'
    )
    text += '[[limit]]\nmeasure = "latency_median"\nat_most_ms = 1\n'
    folder = tmp_path_factory.mktemp("report") / "run"
    record(text, folder)
    return folder


class Tags(HTMLParser):
    """Collects the tags and references of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.references: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep each tag, and what it refers to."""
        self.tags.append(tag)
        self.references += [value or "" for name, value in attrs if name in ("src", "href")]


def test_page_opens_offline_and_runs_no_script(run: Path) -> None:
    """No script, nothing fetched: each reference is data inside the page."""
    page = write_page(analyse_run(run))
    tags = Tags()
    tags.feed(page)
    assert "script" not in tags.tags
    assert tags.tags.count("img") >= 5
    assert all(reference.startswith("data:image/png;base64,") for reference in tags.references)
    assert "http" not in re.sub(r"base64,[A-Za-z0-9+/=]+", "", page)


def test_names_are_escaped(run: Path) -> None:
    """A name with markup stands in the page as text."""
    page = write_page(analyse_run(run))
    assert "&lt;script&gt;" in page


def test_decision_comes_first(run: Path) -> None:
    """The verdict stands before limits, pictures and measures."""
    page = write_page(analyse_run(run))
    places = [page.index(text) for text in (">FAIL<", "<h2>Limits", "<img", "<h2>Measures")]
    assert places == sorted(places)


def test_tables_are_the_same_in_both_formats(run: Path) -> None:
    """Parquet and CSV hold the same strokes; measures.json holds no NaN and every decision."""
    folder = write_tables(analyse_run(run))
    parquet = pd.read_parquet(folder / "strokes.parquet")
    csv = pd.read_csv(folder / "strokes.csv")
    np.testing.assert_allclose(parquet["latency_s"], csv["latency_s"])
    assert parquet["outcome"].tolist() == csv["outcome"].tolist()

    def refuse(text: str) -> float:
        raise AssertionError(f"{text} is no JSON number")

    content = json.loads((folder / "measures.json").read_text(), parse_constant=refuse)
    assert content["verdict"] == "fail"
    assert [d["verdict"] for d in content["decisions"]] == ["fail"]
    for measure in content["measures"]:
        assert {"name", "unit", "value", "low", "high", "confidence", "method", "count"} <= set(
            measure
        )


def test_raw_data_stay_as_they_were(run: Path) -> None:
    """Analysing writes beside the raw data, never over it."""
    before = {p.name: p.read_bytes() for p in run.iterdir() if p.is_file()}
    write_tables(analyse_run(run))
    assert before == {p.name: p.read_bytes() for p in run.iterdir() if p.is_file()}


def test_demo_fails_the_bad_build_and_passes_the_good_one(tmp_path: Path) -> None:
    """One line strikes both builds, and says why; and what the clocks did."""
    command = [sys.executable, "-m", "rig.cli.main", "demo", "--out", str(tmp_path)]
    told = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    good, bad = told.split("bad build:")
    assert "good build: PASS" in good
    assert bad.strip().startswith("FAIL")
    assert "double_share" in bad.split("fail  ")[1].splitlines()[0]
    assert "a late peak beyond the dead time" in bad
    assert "this build doesn't keep to them" in bad
    page = (tmp_path / "demo-bad" / "analysis" / "report.html").read_text(encoding="utf-8")
    assert page.index(">FAIL<") < page.index("Why notes went wrong") < page.index("What was struck")
    for name in ("good", "bad"):
        assert (tmp_path / f"demo-{name}" / "analysis" / "report.html").stat().st_size > 100_000
    # NIST SP 1065: white phase noise falls as 1 / tau; the simulated crystals don't wander
    assert "there is no more than the scatter of single edges" in page
    assert "no wander of the two clocks against each other is seen" in page
    told_json = json.loads((tmp_path / "demo-bad" / "analysis" / "measures.json").read_text())
    line = told_json["time_line"]
    tau_s, residuals = (np.array([row[k] for row in line["allan"]]) for k in ("tau_s", "residuals"))
    assert line["white"] is True
    assert len(tau_s) >= 4
    slope = np.polyfit(np.log(tau_s), np.log(residuals), 1)[0]
    assert slope == pytest.approx(-1.0, abs=0.2)


def test_the_developers_page_names_every_column(run: Path) -> None:
    """Columns of stroke and note table are those of DEVELOPERS.md, no more and no fewer."""
    text = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = analyse_run(run).table
    part = text.split("## Stroke table")[1].split("\n## ")[0]
    strokes, notes = part.split("A notes table stands beside it:")
    cells = re.findall(r"^\| ([a-z_0-9, ]+) \|", strokes, re.MULTILINE)
    told = {name for cell in cells for name in cell.split(", ")} - {"column"}
    assert told == set(table.strokes.columns)
    told = {name.strip() for name in re.sub(r"\([^)]*\)", "", notes).strip(" .\n").split(",")}
    assert told == set(table.notes.columns)
